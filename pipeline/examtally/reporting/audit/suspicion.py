"""What a finding does to a suspicion: Bayes, in the words of a ward."""

from __future__ import annotations

from examtally.analytics.diagnostic_accuracy.predictive_values import post_test
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import percent, percent_range

BEFORE = 0.3  # the suspicion every report starts from


def after(ratio: float, before: float = BEFORE) -> float:
    """The probability after a finding with this likelihood ratio.

    >>> f"{after(5):.2f}"
    '0.68'
    """
    return float(post_test(before, ratio))


def limits_after(ratio: Estimate, before: float = BEFORE) -> tuple[float | None, float | None]:
    """The limits of the probability after the finding, None where there is none to show."""
    low, high = (
        None if limit is None or not ratio.shown else after(limit, before) for limit in (ratio.low, ratio.high)
    )
    return low, high


def post_test_text(ratio: Estimate, before: float = BEFORE) -> str:
    """What a suspicion becomes by a local likelihood ratio, limits in brackets; empty where there is none to show."""
    if not ratio.shown:
        return ""
    low, high = limits_after(ratio, before)
    if ratio.value is None:
        return f"more than {percent(low)}" if low is not None else ""
    limits = percent_range(low, high)
    return f"{percent(after(ratio.value, before))} ({limits})" if limits else percent(after(ratio.value, before))


def post_test_cell(ratio: Estimate, before: float = BEFORE) -> str:
    """The same for a table cell, limits beneath."""
    text = post_test_text(ratio, before)
    return text.replace(" (", "\n").removesuffix(")") if text else ratio.number
