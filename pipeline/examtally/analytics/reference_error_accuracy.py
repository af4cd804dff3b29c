"""Rows of the table `accuracy` that allow for a reference that errs, at the default accuracy of the catalogue."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import polars as pl

from examtally.analytics.erring_reference import ErringPair, covariance_of
from examtally.analytics.figures import PROPORTIONS, RATIO_EVENTS
from examtally.analytics.fourfold import DENOMINATORS
from examtally.analytics.intervals import BoolArray
from examtally.analytics.reference_error import Reference, ReferenceCorrected, correct_for_reference
from examtally.contracts.clinical import ReferenceAccuracy
from examtally.contracts.protocol import Protocol

_CELLS = ("tp", "fp", "fn", "tn")
_SHARES = ("prevalence", "sensitivity", "specificity")
_VALUES = ("ppv", "npv")
_RATIOS = ("lr_positive", "lr_negative")
_INCOMPATIBLE = "A reference of this accuracy could not have made these data."
_EDGE = "On the edge of what is possible: no figure can be given."


def with_reference_error(accuracy: pl.DataFrame, pairs: Iterable[ErringPair], protocol: Protocol) -> pl.DataFrame:
    """Return `accuracy` with rows under the adjustment `reference_error`, overall, for every pair whose reference errs.

    Corrected for who had the modality, then for its default accuracy, which is taken as given; counts and people are
    those of the knees that had it. Null with the reason where there is no figure.

    Source: see `correct_for_reference` and `aipw`.
    """
    rows = [row for each in pairs for row in _rows(each, protocol)]
    if not rows:
        return accuracy
    made = pl.DataFrame(rows, schema_overrides={name: accuracy.schema[name] for name in rows[0]})
    return pl.concat([accuracy, made.with_columns(status=pl.lit(protocol.analysis_status))], how="diagonal")


def _rows(each: ErringPair, protocol: Protocol) -> Iterator[dict[str, object]]:
    level, default = protocol.intervals.level, each.published[0]
    found = None
    if each.table is not None:
        reference = Reference(default.sensitivity, default.specificity)
        found = correct_for_reference(each.table.cells, reference, covariance_of(each.table), level=level)
    values = () if each.condition.code in protocol.predictive_values.prevalence else _VALUES
    for measure in (*_SHARES, *values, *_RATIOS):
        yield {
            **each.key,
            **{"group_by": "overall", "group": "all", "adjustment": "reference_error", "measure": measure},
            **_figure(each, found, measure, default),
            **_counts(each, measure, protocol.display.min_participants),
            **{"level": level, "reference": "erring_modality", "generalises_to": "these_examiners"},
        }


def _figure(
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
        return nothing | {"flag": "incompatible", "note": f"{_INCOMPATIBLE} {assumed}"}
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
