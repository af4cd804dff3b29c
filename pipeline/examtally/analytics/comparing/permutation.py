"""Exchange of two maneuvers within whole participants: a test that few participants do not upset."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def swap_test(difference: npt.ArrayLike) -> float:
    """Exact two-sided p value of the sum of `difference` (m,) when each participant's sign is a toss of a coin.

    `difference` holds, for each participant, the knees that count for a alone less those that count for b alone: whole
    numbers (ValueError for others). If the two maneuvers are exchangeable within participants every sign is as likely
    as its opposite; the distribution of the sum is had by convolution, not by drawing. 1 where all are 0. With one knee
    a participant it is McNemar's exact test.

    Source: Good P. Permutation, Parametric and Bootstrap Tests of Hypotheses. 3rd ed. 2005, section 3.2
    (matched pairs); Obuchowski NA. Stat Med 1998;17:1495–1507 (participants as the units of two tests compared).

    >>> round(swap_test([2, 1, 1, 2, -1, 1, 0]), 4)
    0.1562
    """
    values = np.abs(np.asarray(difference, dtype=np.float64))
    if np.any(values != np.floor(values)):
        raise ValueError("difference holds whole numbers")
    total = int(values.sum())
    chance = np.zeros(2 * total + 1)
    chance[total] = 1.0
    for size in values[values > 0].astype(int):
        moved = np.zeros_like(chance)
        moved[size:] += chance[:-size] / 2
        moved[:-size] += chance[size:] / 2
        chance = moved
    observed = abs(int(np.sum(difference)))
    return float(min(chance[np.abs(np.arange(-total, total + 1)) >= observed].sum(), 1.0))
