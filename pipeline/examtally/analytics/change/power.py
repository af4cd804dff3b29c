"""Whether a change could be seen, before the intervention takes place."""

from __future__ import annotations

from statsmodels.stats.power import TTestPower

_FEWEST = 3


def change_power(
    before: float, gain: float, examiners: int, knees: int, spread: float = 0.05, tail: float = 0.025
) -> float:
    """Power to find a change of `gain` in a share of `before`, by examiners each with `knees` before and after.

    The difference of an examiner varies by chance and by `spread`, the standard deviation of true changes between
    examiners; the mean of all is tested against 0 with t on examiners - 1. Knees are those of the measure (with the
    condition for sensitivity) whose status is known; knees never imaged tell less and are not counted.

    ValueError names an argument that is not legal.

    >>> f"{change_power(0.7, 0.15, 14, 20):.2f}"
    '0.96'
    """
    after = before + gain
    rules = {
        "before and before + gain must lie above 0 and below 1": 0 < before < 1 and 0 < after < 1 and gain != 0,
        f"examiners must be {_FEWEST} to 1000": _FEWEST <= examiners <= 1000,
        "knees must be 1 or more": knees >= 1,
        "spread must lie from 0 to below 0.5": 0 <= spread < 0.5,
    }
    for words, is_kept in rules.items():
        if not is_kept:
            raise ValueError(words)
    variance = (before * (1 - before) + after * (1 - after)) / knees + spread**2
    return float(TTestPower().power(abs(gain) / variance**0.5, examiners, 2 * tail))
