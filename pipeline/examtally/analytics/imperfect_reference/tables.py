"""The tables `reference_error` and `tipping`: verification first, then the errors of the reference."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS, RATIO_EVENTS
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS
from examtally.analytics.imperfect_reference.correction import (
    STATEMENTS,
    Reference,
    ReferenceCorrected,
    correct_for_reference,
    correct_for_uncertain_reference,
    largest_covariance,
    tipping_note,
    tipping_point,
)
from examtally.analytics.imperfect_reference.local_reference import LocalReference
from examtally.analytics.imperfect_reference.pairs import ErringPair, covariance_of
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.corrected import CorrectedCells
from examtally.contracts.catalogue.clinical import ReferenceAccuracy
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

_MEASURES = ("prevalence", "sensitivity", "specificity", "lr_positive", "lr_negative")
_ASSUMED = ("reference_sensitivity", "reference_specificity", "covariance_present", "covariance_absent")
_SHARES = (0.25, 0.5)
_LEAST = 0.5  # accuracy of the reference at which the search for a tipping point ends
_INCOMPATIBLE = "Incompatible with these data: no reference of this accuracy could have made them."


@dataclass(frozen=True)
class ReferenceErrorTables:
    """The tables `reference_error` and `tipping`."""

    reference_error: pl.DataFrame
    tipping: pl.DataFrame


def reference_error_tables(
    pairs: Iterable[ErringPair], local: Iterable[LocalReference], protocol: Protocol
) -> ReferenceErrorTables:
    """Return both tables for every pair whose table can be corrected for verification.

    `local` are estimates of the erring modalities from the same clinic, used beside what is published of them.

    Source: see `correct_for_reference`, `correct_for_uncertain_reference` and `aipw`.
    """
    level = protocol.intervals.level
    here = {each.condition.code: each for each in local if each.figures is not None}
    rows: list[dict[str, object]] = []
    tips: list[dict[str, object]] = []
    for each in pairs:
        if each.table is None:
            continue
        found = [*_grid(each, each.table, level)]
        if each.condition.code in here:
            found += _as_here(each, each.table, here[each.condition.code], level)
        rows += [each.key | _beside(row, each.fallback) for row in found]
        tips += [each.key | _beside(row, each.fallback) for row in _tips(each.table.cells, each.published[0])]
    return ReferenceErrorTables(table_of("reference_error", rows), table_of("tipping", tips))


def _beside(row: dict[str, object], fallback: str) -> dict[str, object]:
    """The row with what must be said of every figure of its pair."""
    if not fallback:
        return row
    words = f"{row['note']} {fallback}" if row["note"] else fallback
    return row | {"flag": row["flag"] or "too_few_verified", "note": words}


def _grid(each: ErringPair, table: CorrectedCells, level: float) -> Iterator[dict[str, object]]:
    places: dict[tuple[float, ...], ReferenceAccuracy] = {}
    for row in each.published:
        for alpha, beta in _corners(row):
            for present, absent in _covariances(table.cells, alpha, beta):
                places.setdefault((alpha, beta, present, absent), row)
    grid = np.array(list(places))
    found = correct_for_reference(
        np.repeat(table.cells, len(grid), axis=0), Reference(*grid.T), covariance_of(table), level=level
    )
    for place, (assumed, row) in enumerate(places.items()):
        yield from _measures(found, place, row.modality, assumed, row.source)


def _as_here(
    each: ErringPair, table: CorrectedCells, local: LocalReference, level: float
) -> Iterator[dict[str, object]]:
    """The figures at the accuracy that these knees give the modality, with its own uncertainty in the limits."""
    first, second = (figure.estimate for figure in local.figures or ())
    spread = local.covariance_of_logits
    found = correct_for_uncertain_reference(table.cells[0], first, second, spread, covariance_of(table), level=level)
    yield from _measures(found, 0, each.modality, (first, second, 0.0, 0.0), local.source)


def _measures(
    found: ReferenceCorrected, place: int, modality: str, assumed: tuple[float, ...], source: str
) -> Iterator[dict[str, object]]:
    key = {"modality": modality, **dict(zip(_ASSUMED, assumed, strict=True)), "source": source}
    for measure in _MEASURES:
        yield key | {"measure": measure} | _figure(found, measure, place)


def _corners(row: ReferenceAccuracy) -> Iterator[tuple[float, float]]:
    """The published accuracy, then every combination of it with the ends of its intervals."""
    yield row.sensitivity, row.specificity
    for alpha in (row.sensitivity_low, row.sensitivity, row.sensitivity_high):
        for beta in (row.specificity_low, row.specificity, row.specificity_high):
            if alpha is not None and beta is not None and alpha + beta > 1:
                yield alpha, beta


def _covariances(cells: FloatArray, alpha: float, beta: float) -> Iterator[tuple[float, float]]:
    """None, then shares of the largest covariance at the figures without any."""
    yield 0.0, 0.0
    most = _most_covariance(cells, Reference(alpha, beta))
    if most is not None:
        yield from ((share * most[0], share * most[1]) for share in _SHARES)


def _most_covariance(cells: FloatArray, reference: Reference) -> tuple[float, float] | None:
    found = correct_for_reference(cells, reference)
    if not found.compatible[0]:
        return None
    sensitivity, specificity = found.estimates["sensitivity"][0], found.estimates["specificity"][0]
    return (
        float(largest_covariance(sensitivity, reference.sensitivity)),
        float(largest_covariance(specificity, reference.specificity)),
    )


def _figure(found: ReferenceCorrected, measure: str, place: int) -> dict[str, object]:
    limits = found.limits[measure]
    values = [float(each[place]) for each in (found.estimates[measure], limits.low, limits.high)]
    compatible = bool(found.compatible[place])
    is_given = compatible and bool(np.isfinite(values).all())
    return {
        **dict(zip(("estimate", "ci_low", "ci_high"), values if is_given else [None] * 3, strict=True)),
        "compatible": compatible,
        "flag": None if is_given else "not_estimable" if compatible else "incompatible",
        "note": None if is_given else "On the edge of what is possible." if compatible else _INCOMPATIBLE,
    }


def _tips(cells: FloatArray, default: ReferenceAccuracy) -> Iterator[dict[str, object]]:
    """Where each statement stops (or begins) to hold as one assumption moves away from its default."""
    alpha, beta = default.sensitivity, default.specificity
    most = _most_covariance(cells, Reference(alpha, beta)) or (0.0, 0.0)
    searches: Mapping[str, tuple[Callable[[FloatArray], Reference], float, float]] = {
        "reference_sensitivity": (lambda x: Reference(x, beta), alpha, max(_LEAST, 1.01 - beta)),
        "reference_specificity": (lambda x: Reference(alpha, x), beta, max(_LEAST, 1.01 - alpha)),
        "covariance_share": (lambda x: Reference(alpha, beta, most[0] * x, most[1] * x), 0.0, 0.0),
    }
    for measure, statement, threshold in STATEMENTS:
        for parameter, (assume, start, low) in searches.items():
            value = _following(cells, assume, measure)
            at = tipping_point(value, threshold, start, low, 1.0)
            holds = _holds(float(value(np.array([start]))[0]), threshold, measure)
            yield {
                "measure": measure,
                "statement": statement,
                "parameter": parameter,
                "value": at if holds is not None else None,
                "flag": "incompatible" if holds is None else None,
                "note": _said(holds, at),
            }


def _following(
    cells: FloatArray, assume: Callable[[FloatArray], Reference], measure: str
) -> Callable[[FloatArray], FloatArray]:
    """The measure as a function of one assumption about the reference."""

    def value(x: FloatArray) -> FloatArray:
        return correct_for_reference(np.repeat(cells, x.size, axis=0), assume(x)).estimates[measure]

    return value


def _holds(value: float, threshold: float, measure: str) -> bool | None:
    if np.isnan(value):
        return None
    return bool(value >= threshold if measure == "lr_positive" else value <= threshold)


def _said(holds: bool | None, at: float | None) -> str:
    if holds is None:
        return "The default accuracy of the reference is incompatible with these data."
    return tipping_note("at the default", holds, at)


_CELLS = ("tp", "fp", "fn", "tn")
_SHARE_MEASURES = ("prevalence", "sensitivity", "specificity")
_VALUES = ("ppv", "npv")
_RATIOS = ("lr_positive", "lr_negative")
_NOT_POSSIBLE = "A reference of this accuracy could not have made these data."
_EDGE = "On the edge of what is possible: no figure can be given."


def with_reference_error(accuracy: pl.DataFrame, pairs: Iterable[ErringPair], protocol: Protocol) -> pl.DataFrame:
    """Return `accuracy` with rows under the adjustment `reference_error`, overall, for every pair whose reference errs.

    Corrected for who had the modality, then for its default accuracy, which is taken as given; counts and people are
    those of the knees that had it. Null with the reason where there is no figure.

    Source: see `correct_for_reference` and `aipw`.
    """
    rows = [row for each in pairs for row in _rows(each, protocol)]
    return pl.concat([accuracy, table_of("accuracy", rows)])


def _rows(each: ErringPair, protocol: Protocol) -> Iterator[dict[str, object]]:
    level, default = protocol.intervals.level, each.published[0]
    found = None
    if each.table is not None:
        reference = Reference(default.sensitivity, default.specificity)
        found = correct_for_reference(each.table.cells, reference, covariance_of(each.table), level=level)
    values = () if each.condition.code in protocol.predictive_values.prevalence else _VALUES
    for measure in (*_SHARE_MEASURES, *values, *_RATIOS):
        yield {
            **each.key,
            **{"group_by": "overall", "group": "all", "adjustment": "reference_error", "measure": measure},
            **_accuracy_figure(each, found, measure, default),
            **_counts(each, measure, protocol.display.min_participants),
            **{"level": level, "reference": "erring_modality", "generalises_to": "these_examiners"},
        }


def _accuracy_figure(
    each: ErringPair, found: ReferenceCorrected | None, measure: str, default: ReferenceAccuracy
) -> dict[str, object]:
    nothing: dict[str, object] = {"estimate": None, "ci_low": None, "ci_high": None, "interval": "none"}
    if found is None:
        return nothing | {"flag": "bounds_only", "note": each.reason}
    assumed = (
        f"Assumes {each.modality_name} {default.sensitivity:.0%} sensitive and {default.specificity:.0%} specific "
        f"({default.source}), taken as given, its errors independent of those of the finding."
    )
    values = [float(part[0]) for part in (found.estimates[measure], *_limits(found, measure))]
    if not found.compatible[0]:
        return nothing | {"flag": "incompatible", "note": f"{_NOT_POSSIBLE} {assumed}"}
    if not np.isfinite(values).all():
        return nothing | {"flag": "not_estimable", "note": f"{_EDGE} {assumed}"}
    return {
        **dict(zip(("estimate", "ci_low", "ci_high"), values, strict=True)),
        "interval": "reference_logit" if measure in PROPORTIONS else "reference_log",
        "flag": "too_few_verified" if each.fallback else None,
        "note": f"{assumed} {each.fallback}".strip(),
    }


def _limits(found: ReferenceCorrected, measure: str) -> tuple[np.ndarray, np.ndarray]:
    return found.limits[measure].low, found.limits[measure].high


def _counts(each: ErringPair, measure: str, minimum: int) -> dict[str, object]:
    """Knees and people behind a measure, and whether they suffice to show it."""
    if measure in PROPORTIONS:
        events, side = PROPORTIONS[measure]
        sides = [side]
    else:
        events, sides = RATIO_EVENTS[measure], ["present", "absent"]
    inside = {cell for side in sides for cell in DENOMINATORS[side]}
    people = [_people(each, _in(each, DENOMINATORS[side])) for side in sides]
    return {
        "n": int(_in(each, inside).sum()),
        "events": int(_in(each, events).sum()),
        "participants": _people(each, _in(each, inside)),
        "display": "estimate" if min(people) >= minimum else "counts_only",
    }


def _in(each: ErringPair, cells: Iterable[str]) -> BoolArray:
    """Knees in some cells of the table of finding against modality, (n,)."""
    pair = each.pair
    place = np.where(pair.positive, 0, 2) + ~pair.present
    return np.asarray(pair.verified & np.isin(place, [_CELLS.index(cell) for cell in cells]))


def _people(each: ErringPair, knees: BoolArray) -> int:
    return int(np.unique(each.pair.overall.cluster[knees]).size)
