"""Sensitivity by how severe the condition is: of knees that were never graded, and from grades that may be wrong.

In each draw every knee with the condition has one degree. The grade of a test taken as true is right; that of another
test is right at a rate of its own and otherwise any degree, as common as it is. A knee without a grade has the degree
of knees alike in the finding at hand and in how many other findings of the condition are positive.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from examtally.analytics.bias_adjusted.figures import Summary, summary
from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.terms import clear_findings
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

DRAWS, _TURNS = 400, 10
_RIGHT = (8.0, 2.0)  # belief about the share of grades that are right, as a Beta distribution
_BORROWED = 2.0  # knees with the degrees of all, added to every kind of knee
_FEWEST, _WIDEST, _GRADED = 20, 0.6, 10
_OTHERS = 3  # kinds by how many other findings are positive: none, one, more

Indices = npt.NDArray[np.int64]


@dataclass(frozen=True)
class BySeverity:
    """Sensitivity of one maneuver among knees with one degree of the condition; `reason` says why it is withheld.

    `graded` knees were called present and of that degree, `positive` of them had the finding, in `participants` people.
    `drawn` (s,) are the draws behind the figure; those of all degrees of a maneuver belong together.
    """

    condition: str
    maneuver: str
    degree: str
    figure: Summary
    drawn: FloatArray
    graded: int
    positive: int
    participants: int
    is_assumed: bool
    reason: str | None


@dataclass(frozen=True)
class _Entries:
    """Every knee in every draw in which it has the condition: (e,) each.

    `trusted` and `read` are grades by a test taken as true and by another one, -1 where there is none; `weight` is that
    of the knee in the draw.
    """

    knee: Indices
    draw: Indices
    trusted: Indices
    read: Indices
    weight: npt.NDArray[np.float32]

    @classmethod
    def of(cls, model: ConditionModel, draws: int, grades: tuple[Indices, Indices]) -> _Entries:
        every = np.empty((model.draws.rows.size, draws), np.float32)
        for at, statuses, weights in model.draws.blocks():
            every[:, at] = (statuses * weights)[:, : draws - at.start]
            if at.stop >= draws:
                break
        places = np.flatnonzero(every.ravel())
        knee, draw = np.divmod(places, draws)
        return cls(knee, draw, grades[0][knee], grades[1][knee], every.ravel()[places])


def by_severity(
    records: StatusRecords, models: BiasModels, contract: Contract, protocol: Protocol
) -> Iterator[BySeverity]:
    """Sensitivity by degree of every fitted condition that has degrees and stands for itself.

    Withheld where fewer than 10 knees were graded so, fewer than 20 are expected to be, or the interval is wider than
    60 points.
    """
    for code, model in models.fitted.items():
        condition = contract.catalogue.conditions[code]
        if not condition.severity or condition.derived_from:
            continue
        degrees = tuple(degree.code for degree in condition.severity)
        grades = _grades(records, model, degrees, condition.taken_as_true, protocol.reference.accepted[code])
        maneuvers = [maneuver for each, maneuver in contract.catalogue.pairs if each == code]
        entries = _Entries.of(model, min(DRAWS, model.draws.draws), grades)
        for maneuver in maneuvers:
            yield from _of_maneuver(model, maneuver, maneuvers, degrees, entries, protocol)


def _grades(
    records: StatusRecords,
    model: ConditionModel,
    degrees: tuple[str, ...],
    trusted: tuple[str, ...],
    accepted: tuple[str, ...],
) -> tuple[Indices, Indices]:
    """Grades by what is taken as true, and by what is not, the most authoritative test first; -1 without one."""
    made = []
    for is_trusted in (True, False):
        grades = np.full(records.exams.height, -1)
        for modality in reversed([each for each in accepted if (each in trusted) == is_trusted]):
            part = records.readings.filter(
                pl.col("severity").is_in(degrees), condition=model.knees.condition, modality=modality
            )
            places = part["severity"].replace_strict(degrees, list(range(len(degrees))), return_dtype=pl.Int64)
            grades[part["row"].to_numpy()] = places.to_numpy()
        made.append(grades[model.knees.rows])
    return made[0], made[1]


def _of_maneuver(
    model: ConditionModel,
    maneuver: str,
    maneuvers: list[str],
    degrees: tuple[str, ...],
    entries: _Entries,
    protocol: Protocol,
) -> Iterator[BySeverity]:
    frame, condition = model.knees.frame, model.knees.condition
    positive = {name: (frame[f"result_{name}"] == "positive").to_numpy() for name in maneuvers}
    clear, _ = clear_findings(frame[f"result_{maneuver}"])
    others = sum((positive[name].astype(np.int64) for name in maneuvers if name != maneuver), np.zeros(clear.size, int))
    kind = np.minimum(others, _OTHERS - 1) + _OTHERS * np.where(clear, positive[maneuver].astype(np.int64), 2)
    draws, knee = min(DRAWS, model.draws.draws), entries.knee
    rng = np.random.default_rng([model.draws.seed, zlib.crc32(f"{condition} {maneuver}".encode())])
    cell = _draw_degrees(entries, kind[knee], draws, len(degrees), rng) * draws + entries.draw
    counted, size = clear[knee], len(degrees) * draws
    weight = entries.weight * counted
    whole = np.bincount(cell, weight, size).reshape(-1, draws)
    found = np.bincount(cell, weight * positive[maneuver][knee], size).reshape(-1, draws)
    expected = np.bincount(cell, counted, size).reshape(-1, draws).sum(axis=1) / draws
    graded = (frame[f"status_{condition}"] == "present").to_numpy() & clear
    for place, code in enumerate(degrees):
        named = graded & (frame[f"severity_{condition}"] == code).fill_null(value=False).to_numpy()
        with np.errstate(invalid="ignore"):
            drawn = found[place] / whole[place]
        figure = summary(drawn, protocol.intervals.level)
        reason = _reason(figure, float(expected[place]), int(named.sum()))
        yield BySeverity(
            condition=condition,
            maneuver=maneuver,
            degree=code,
            figure=figure if reason is None else Summary(None, None, None),
            drawn=drawn,
            graded=int(named.sum()),
            positive=int((named & positive[maneuver]).sum()),
            participants=int(np.unique(model.knees.participants[named]).size),
            is_assumed=model.is_assumed,
            reason=reason,
        )


def _draw_degrees(entries: _Entries, kind: Indices, draws: int, degrees: int, rng: np.random.Generator) -> Indices:
    """A degree for every entry, by Gibbs sampling in all draws at once.

    Entries of one draw, kind and pair of grades are alike: until the last turn only how many of them have each degree
    is drawn.
    """
    shape = (draws, int(kind.max(initial=0)) + 1, degrees + 1, degrees + 1)
    cell = np.ravel_multi_index((entries.draw, kind, entries.trusted + 1, entries.read + 1), shape)
    alike = np.bincount(cell, minlength=int(np.prod(shape))).reshape(shape)
    named = np.vstack([np.full(degrees, 1 / degrees), np.eye(degrees)])  # by grade, without one first
    chance = np.broadcast_to(
        np.where(np.arange(degrees + 1)[:, None, None] > 0, named[:, None], named), (*shape, degrees)
    )
    right = np.full(draws, _RIGHT[0] / sum(_RIGHT))
    parted = rng.multinomial(alike, chance)
    for _ in range(_TURNS):
        counts = parted.sum(axis=(2, 3))
        common = _dirichlet(counts.sum(axis=1) + 1.0, rng)
        chance = _chances(_dirichlet(counts + _BORROWED * common[:, None, :], rng), common, right)
        parted = rng.multinomial(alike, chance)
        agreed = np.einsum("dktjj->dj", parted[:, :, :, 1:])
        luck = (1 - right)[:, None] * common
        hits = rng.binomial(agreed, right[:, None] / (right[:, None] + luck)).sum(axis=1)
        right = rng.beta(_RIGHT[0] + hits, _RIGHT[1] + alike[..., 1:].sum(axis=(1, 2, 3)) - hits)
    heights = np.cumsum(chance, axis=-1).reshape(-1, degrees)[:, :-1]
    drawn: Indices = (rng.random(cell.size)[:, None] >= heights[cell]).sum(axis=1)
    return drawn


def _chances(table: FloatArray, common: FloatArray, right: FloatArray) -> FloatArray:
    """Chance of each degree, (draws, kinds, grade by a trusted test, grade by another, degrees), no grade first."""
    draws, degrees = common.shape
    sure = np.vstack([np.ones(degrees), np.eye(degrees)])
    read = np.ones((draws, degrees + 1, degrees))
    read[:, 1:] = ((1 - right)[:, None] * common)[:, :, None] + right[:, None, None] * np.eye(degrees)
    chance = table[:, :, None, None, :] * sure[:, None, :] * read[:, None, None]
    return np.asarray(chance / chance.sum(axis=-1, keepdims=True))


def _dirichlet(counts: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One draw of shares for the last axis of `counts`."""
    drawn = rng.standard_gamma(counts) + 1e-300
    return np.asarray(drawn / drawn.sum(axis=-1, keepdims=True))


def _reason(figure: Summary, expected: float, graded: int) -> str | None:
    if graded < _GRADED:
        return f"Only {graded} of these «nouns» were graded so; at least {_GRADED} are required."
    if expected < _FEWEST:
        return f"About {expected:.0f} such «nouns» are expected; at least {_FEWEST} are required."
    if figure.low is None or figure.high is None or figure.high - figure.low > _WIDEST:
        return "The interval would be more than 60 points wide."
    return None
