"""The tables `reference_error` and `tipping`: verification first, then the errors of the reference."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from examtally.analytics.intervals import FloatArray
from examtally.analytics.reference_error import (
    Reference,
    ReferenceCorrected,
    correct_for_reference,
    largest_covariance,
    tipping_point,
)
from examtally.analytics.verification import figures
from examtally.analytics.verification.corrected import CorrectedCells
from examtally.analytics.verification.knees import ConditionKnees
from examtally.analytics.verification.pair import Counted, Pair
from examtally.contracts.clinical import Condition, ReferenceAccuracy
from examtally.contracts.contract import Contract
from examtally.contracts.protocol import Protocol
from examtally.contracts.results import conform, empty

_MEASURES = ("prevalence", "sensitivity", "specificity", "lr_positive", "lr_negative")
_ASSUMED = ("reference_sensitivity", "reference_specificity", "covariance_present", "covariance_absent")
_SHARES = (0.25, 0.5)
_STATEMENTS = (("lr_positive", "doubles_odds", 2.0), ("lr_negative", "halves_odds", 0.5))
_LEAST = 0.5  # accuracy of the reference at which the search for a tipping point ends
_INCOMPATIBLE = "Incompatible with these data: no reference of this accuracy could have made them."


@dataclass(frozen=True)
class ReferenceErrorTables:
    """The tables `reference_error` and `tipping`."""

    reference_error: pl.DataFrame
    tipping: pl.DataFrame


def erring_modality(condition: Condition, protocol: Protocol) -> str | None:
    """The modality of the condition that is accepted, not taken as true and of published accuracy; None for none."""
    accepted = protocol.reference.accepted.get(condition.code, ())
    named = [row.modality for row in condition.reference_accuracy]
    return next((name for name in named if name in accepted and name not in condition.taken_as_true), None)


def only_erring(contract: Contract, protocol: Protocol) -> Protocol:
    """The protocol with the erring modality as the only reference of every condition that has one."""
    found = {code: erring_modality(each, protocol) for code, each in contract.catalogue.conditions.items()}
    accepted = dict(protocol.reference.accepted) | {code: (name,) for code, name in found.items() if name is not None}
    return replace(protocol, reference=replace(protocol.reference, accepted=accepted))


def reference_error_tables(frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> ReferenceErrorTables:
    """Return both tables for every pair whose reference errs.

    `frame` is the verification frame of a cohort in which only the erring modality settles each such condition, and
    `protocol` that of the analysis. Pairs that cannot be corrected for verification have no rows.

    Source: see `correct_for_reference` and `aipw`.
    """
    rows: list[dict[str, object]] = []
    tips: list[dict[str, object]] = []
    for code, condition in contract.catalogue.conditions.items():
        modality = erring_modality(condition, protocol)
        if modality is None:
            continue
        published = [row for row in condition.reference_accuracy if row.modality == modality]
        knees = ConditionKnees(frame, code, contract, protocol)
        for maneuver in knees.maneuvers:
            table = _corrected(knees, maneuver)
            if table is not None:
                key: dict[str, object] = {"condition": code, "maneuver": maneuver}
                rows += [key | row for row in _grid(table, published, protocol.intervals.level)]
                tips += [key | row for row in _tips(table.cells, published[0])]
    return ReferenceErrorTables(_table("reference_error", rows, protocol), _table("tipping", tips, protocol))


def _table(name: str, rows: list[dict[str, object]], protocol: Protocol) -> pl.DataFrame:
    frame = pl.DataFrame(rows, infer_schema_length=None) if rows else empty(name)
    return conform(name, frame, status=protocol.analysis_status)


def _corrected(knees: ConditionKnees, maneuver: str) -> CorrectedCells | None:
    """The table of finding against reference, corrected for who was verified; None where it cannot be."""
    pair = Pair(knees.frame, maneuver, knees.verified, knees.present)
    counted = Counted.of(pair, pair.overall)
    if figures.obstacle(counted):
        return None
    table = pair.begg_greenes(pair.overall)
    if counted.is_enough[0]:
        rows = pair.doubly_robust(knees.fitted(maneuver))
        table = CorrectedCells(pair.overall.sums(rows), pair.overall.products(rows), pair.overall.clusters())
    return table if (table.cells > 0).all() and table.clusters[0] > 1 else None


def _grid(table: CorrectedCells, published: list[ReferenceAccuracy], level: float) -> Iterator[dict[str, object]]:
    places: dict[tuple[float, ...], ReferenceAccuracy] = {}
    for row in published:
        for alpha, beta in _corners(row):
            for present, absent in _covariances(table.cells, alpha, beta):
                places.setdefault((alpha, beta, present, absent), row)
    grid, clusters = np.array(list(places)), float(table.clusters[0])
    found = correct_for_reference(
        np.repeat(table.cells, len(grid), axis=0),
        Reference(*grid.T),
        table.products * (1.0 if np.isinf(clusters) else clusters / (clusters - 1)),
        level=level,
    )
    for place, (assumed, row) in enumerate(places.items()):
        key = {"modality": row.modality, **dict(zip(_ASSUMED, assumed, strict=True)), "source": row.source}
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
    for measure, statement, threshold in _STATEMENTS:
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
    first = "Holds at the default" if holds else "Does not hold at the default"
    return f"{first}; {'nothing in the range searched changes that.' if at is None else 'changes at this value.'}"
