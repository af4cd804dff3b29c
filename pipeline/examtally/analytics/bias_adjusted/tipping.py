"""How much rarer or commoner the condition would have to be in knees never imaged to change what a finding says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.interpolate import PchipInterpolator

from examtally.analytics.bias_adjusted.leading import Leading
from examtally.analytics.bias_adjusted.model import BiasModels, chance_at
from examtally.analytics.bias_adjusted.tabulate import OVERALL, Members
from examtally.analytics.imperfect_reference.correction import STATEMENTS, tipping_note, tipping_point
from examtally.analytics.intervals import FloatArray
from examtally.contracts.protocol.protocol import Protocol

GRID = np.linspace(-3.0, 2.0, 11)  # of delta, the log odds added to what the record says of knees never imaged
_LEAST_SHARE = 1e-4


def tipping_rows(models: BiasModels, estimates: Sequence[Leading], protocol: Protocol) -> Iterator[dict[str, object]]:
    """Rows of the table `tipping`: the delta at which a statement about a leading estimate stops, or begins, to hold.

    The estimate moves with delta as the expected shares do; delta is searched from what the protocol assumes outwards,
    between -3 and 2. Only overall estimates of which both figures are shown.
    """
    for condition in dict.fromkeys(each.condition for each in estimates):
        shown = [e for e in estimates if e.condition == condition and e.members.group_by == OVERALL and not e.withheld]
        if not shown:
            continue
        model = models.fitted[condition]
        chances = np.array([chance_at(model, delta) for delta in GRID])
        for each in shown:
            yield from _rows(each, model.draws.chance, chances, protocol)


def _rows(each: Leading, usual: FloatArray, chances: FloatArray, protocol: Protocol) -> Iterator[dict[str, object]]:
    start = protocol.bias_adjusted.delta_mean
    before, moved = _log_ratios(each.members, usual[None, :]), _log_ratios(each.members, chances)
    for measure, statement, threshold in STATEMENTS:
        figure = each.figures[measure].estimate
        if figure is None or figure <= 0:
            continue
        log_ratio = PchipInterpolator(GRID, np.log(figure / threshold) + moved[measure] - before[measure])
        at = tipping_point(log_ratio, 0.0, start, GRID[0], GRID[-1])
        holds = figure >= threshold if measure == "lr_positive" else figure <= threshold
        yield {
            "condition": each.condition,
            "maneuver": each.members.maneuver,
            "measure": measure,
            "statement": statement,
            "parameter": "delta",
            "value": at,
            "flag": None,
            "note": tipping_note("for the leading estimate", holds, at),
        }


def _log_ratios(members: Members, chances: FloatArray) -> dict[str, FloatArray]:
    """Logarithms of both likelihood ratios by the expected shares, (k,) each, from chances (k, n)."""
    with_it = chances[:, members.places]
    right = members.is_positive.astype(float)
    sensitivity = (with_it @ right) / with_it.sum(axis=1)
    specificity = ((1 - with_it) @ (1 - right)) / (1 - with_it).sum(axis=1)
    sides = (np.clip(each, _LEAST_SHARE, 1 - _LEAST_SHARE) for each in (sensitivity, specificity))
    sensitivity, specificity = sides
    return {
        "lr_positive": np.log(sensitivity / (1 - specificity)),
        "lr_negative": np.log((1 - sensitivity) / specificity),
    }
