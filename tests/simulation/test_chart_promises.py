"""Quality charts of a whole page: how often a stable clinic's page signals within a year, how soon a shift shows.

Aims, stated before the first run: a page of ten charts with a false-signal rate of 5 % a year signals in at most 6 % of
stable years; a shift of 0.30 to 0.46 in months of 60 cases signals within four months (median). Months that differ more
than chance, a slow drift and a single month far out stand beside these as they come. Development seeds 1 to 9; the
published table is judged on seeds 101 and up.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from examtally.analytics.control_charts.baseline import BASELINE
from examtally.analytics.control_charts.chart import YEAR, Chart, share_chart

CHARTS = 10
RATE = 0.05
AFTER = 36
SHORT = 50  # charts of a short run

# setting, share, cases a month, spread between months (Beta), pages, pages with a signal within a year in per cent
STABLE = [
    ("ten like charts", 0.3, 60, 0.0, 200),
    ("rare events", 0.04, 60, 0.0, 200),
    ("nearly all", 0.95, 60, 0.0, 200),
    ("few cases", 0.3, 12, 0.0, 200),
    ("months apart", 0.3, 60, 80.0, 200),
]


def series(
    share: float, size: int, draw: np.random.Generator, *, after: np.ndarray, spread: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Events and sizes of a baseline at `share` and of months whose shares are `after`."""
    sizes = draw.poisson(size, BASELINE + after.size)
    shares = np.concatenate([np.full(BASELINE, share), after])
    if spread:
        shares = draw.beta(shares * spread, (1 - shares) * spread)
    return draw.binomial(sizes, shares), sizes


def charts(
    share: float, size: int, number: int, seed: int, *, after: np.ndarray, rate: float, spread: float = 0.0
) -> Iterator[Chart]:
    """Yield the charts of so many series."""
    draw = np.random.default_rng(seed)
    for _ in range(number):
        made = share_chart(*series(share, size, draw, after=after, spread=spread), rate)
        if made is not None:
            yield made


def first_signal(made: Chart, longest: int) -> int:
    """Months after the baseline to the first signal."""
    return next((month for month, rule in enumerate(made.rules[BASELINE:], 1) if rule), longest)


def page_share(share: float, size: int, spread: float, pages: int, seed: int) -> float:
    """Share of pages of ten charts with any signal within twelve months."""
    steady = np.full(YEAR, share)
    made = charts(share, size, pages * CHARTS, seed, after=steady, rate=RATE / CHARTS, spread=spread)
    signals = np.array([any(one.rules[BASELINE:]) for one in made])
    return float(signals.reshape(pages, CHARTS).any(axis=1).mean())


@pytest.mark.study
def test_single_charts_of_a_stable_clinic_signal_no_more_than_stated() -> None:
    made = list(charts(0.3, 60, SHORT, 1, after=np.full(YEAR, 0.3), rate=0.2))
    seen = np.mean([any(one.rules[BASELINE:]) for one in made])
    assert 0.02 < seen < 0.2 + 3 * np.sqrt(0.2 * 0.8 / SHORT)


def test_a_shift_shows_within_four_months() -> None:
    made = charts(0.3, 60, 20, 2, after=np.full(AFTER, 0.46), rate=RATE / CHARTS)
    assert np.median([first_signal(one, AFTER) for one in made]) <= 4


@pytest.mark.study
@pytest.mark.parametrize("row", STABLE, ids=lambda row: row[0])
def test_a_stable_page_cries_wolf_as_seldom_as_said(row: tuple[str, float, int, float, int]) -> None:
    name, share, size, spread, pages = row
    seen = page_share(share, size, spread, pages, 101)
    print(f"{name}: {100 * seen:.1f} % of {pages} pages within a year")
    if not spread:
        assert seen <= 0.06 + 2 * np.sqrt(0.06 * 0.94 / pages)


@pytest.mark.study
@pytest.mark.parametrize(
    ("name", "after"),
    [
        ("shift to 0.46", np.full(AFTER, 0.46)),
        ("shift to 0.20", np.full(AFTER, 0.20)),
        ("drift to 0.46 in a year", np.minimum(0.46, 0.3 + 0.16 * np.arange(1, AFTER + 1) / 12)),
        ("one month at 0.60", np.concatenate([[0.6], np.full(AFTER - 1, 0.3)])),
    ],
)
def test_how_soon_a_change_shows(name: str, after: np.ndarray) -> None:
    waits = [first_signal(one, AFTER) for one in charts(0.3, 60, 200, 102, after=after, rate=RATE / CHARTS)]
    print(f"{name}: median {np.median(waits):.1f} months, three in four within {np.quantile(waits, 0.75):.0f}")
    if name == "shift to 0.46":
        assert np.median(waits) <= 4
