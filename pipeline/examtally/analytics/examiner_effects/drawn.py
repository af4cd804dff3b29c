"""Each examiner's logits from the draws of who has the condition, and what is uncertain for all examiners alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.leading import held_back
from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.bias_adjusted.tabulate import FEWEST, count
from examtally.analytics.examiner_effects.standardised import SIDES, ClassLogits, ExaminerLogits, sound
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.grouped import IntArray
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.contract import Contract

_DRAWS = 400
_MEASURES = ("sensitivity", "specificity")


@dataclass(frozen=True)
class DrawnCells:
    """Draws of tp, fp, fn, tn of every group, (4, e, draws), by maneuver; measures that are `withheld` for all."""

    cells: Mapping[str, FloatArray]
    withheld: frozenset[str]

    def logits(self, maneuver: str) -> ExaminerLogits | None:
        """Logits of every group; None where nothing may be said."""
        cells = self.cells[maneuver]
        means = cells.mean(axis=2).sum(axis=1)
        expected = {"sensitivity": means[0] + means[2], "specificity": means[1] + means[3]}
        kept = [name not in self.withheld and expected[name] >= FEWEST for name in _MEASURES]
        if not any(kept):
            return None
        found = drawn_logits(cells)
        return replace(found, logits=np.where(kept, found.logits, np.nan))


def drawn_cells(
    knees: ConditionKnees,
    code: IntArray,
    groups: int,
    status: tuple[StatusRecords, BiasModels],
    maneuvers: Sequence[str],
    contract: Contract,
) -> DrawnCells | None:
    """Count every group's clear findings of a condition, all maneuvers in one pass; None where there is no model.

    `knees` has `place`, the row of each exam in the records; a knee's status is that of its index exam, whoever
    examined it. `code` (n,) is the group of each, from 0.
    """
    records, models = status
    if knees.condition not in models.fitted:
        return None
    model = models.fitted[knees.condition]
    place = records.places(model.knees)[knees.frame["place"].to_numpy()]
    sets = []
    for maneuver in maneuvers:
        result = knees.frame[f"result_{maneuver}"]
        for finding in ("positive", "negative"):
            taken = (result == finding).to_numpy() & (place >= 0)
            order = np.argsort(code[taken], kind="stable")
            ends = np.cumsum(np.bincount(code[taken], minlength=groups))
            sets += np.split(place[taken][order], ends[:-1])
    draws = replace(model.draws, draws=min(model.draws.draws, _DRAWS))
    present, absent = (side.reshape(len(maneuvers), 2, groups, draws.draws) for side in count(draws, sets))
    cells = np.stack([present[:, 0], absent[:, 0], present[:, 1], absent[:, 1]], axis=1)
    return DrawnCells(dict(zip(maneuvers, cells, strict=True)), frozenset(held_back(model, contract)))


def drawn_logits(cells: FloatArray) -> ExaminerLogits:
    """Logits of sensitivity and specificity of every examiner from draws of tp, fp, fn, tn, (4, e, draws).

    One knee at the group's share is added to each class, and variances, by the delta method from the draws of the
    cells, are never below those of as many knees of known status. What moves all examiners together, as the accuracy
    of the reference and the belief about knees never imaged do, is the mean covariance of two examiners: it is `common`
    and not part of the `covariance` of each.
    """
    means = cells.mean(axis=2)
    found = [ClassLogits.of(means[events], means[others]) for events, others in SIDES]
    weights = [side.weights(events, others) for side, (events, others) in zip(found, SIDES, strict=True)]
    off = cells - means[:, :, None]
    moved = np.stack([np.einsum("ec,ces->es", each, off) for each in weights])
    examiners, draws = moved.shape[1:]
    own = np.einsum("ies,jes->eij", moved, moved) / (draws - 1)
    whole = moved.sum(axis=1)
    common = whole @ whole.T / (draws - 1) - own.sum(axis=0)
    common = _nonnegative(common / max(examiners * (examiners - 1), 1))
    least = np.stack([side.least for side in found], axis=1)
    logits = np.stack([side.logit for side in found], axis=1)
    size = np.stack([means[events] + means[others] for events, others in SIDES], axis=1)
    return ExaminerLogits(np.where(size > 0, logits, np.nan), sound(own - common, least), common)


def _nonnegative(matrix: FloatArray) -> FloatArray:
    """The nearest matrix without negative variances."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)
