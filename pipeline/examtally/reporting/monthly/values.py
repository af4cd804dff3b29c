"""How a value of the indicators table is written."""

from __future__ import annotations

from examtally.reporting.engine.numbers import percent, share_of
from examtally.reporting.monthly.month import Row

_POINTS = ("calibration_gap",)


def value_of(row: Row) -> str:
    """The value of a row with its counts.

    >>> value_of({"indicator": "verified", "group_by": "overall", "value": 0.5, "numerator": 20, "denominator": 40})
    '20 of 40 (50%)'
    """
    if row["value"] is None:
        return "none"
    return share_of(row["numerator"], row["denominator"]) if _is_share(row) else plain(row, row["value"])


def plain(row: Row, value: float | None) -> str:
    """A number on the scale of its row: a percentage, days, or points of percentage."""
    if value is None:
        return "–"
    if row["indicator"] == "days_to_reference":
        return f"{round(value, 1):g} days"
    if row["indicator"] in _POINTS:
        return f"{round(100 * value):+d} points".replace("-", "−")
    return percent(value)


def moved(row: Row) -> str:
    """What the value is held against: the centre of its chart."""
    if row["centre"] is None or row["value"] is None:
        return "no centre yet"
    return f"usually {plain(row, row['centre'])}"


def _is_share(row: Row) -> bool:
    return row["numerator"] is not None and row["indicator"] not in _POINTS
