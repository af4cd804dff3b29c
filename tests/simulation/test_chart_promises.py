"""Charts keep what they print: false signals of a stable clinic, and the delay after a shift."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from examtally.analytics.charts import BASELINE, Chart, chart, run_chart

CLINICS = 200
FEW = 80  # of the cumulative chart, whose limits take longer to find
YEAR = 12


def simulate(
    share: float, size: int, *, periods: int, seed: int, spread: float = 0.0, is_shifted: bool = False
) -> Iterator[Chart]:
    """Yield charts of clinics; with `spread` each month has its own share; `is_shifted` changes the odds twofold."""
    draw = np.random.default_rng(seed)
    odds = share / (1 - share) * (2 if share <= 0.5 else 0.5)
    for _ in range(CLINICS if share * size > 5 else FEW):
        sizes = draw.poisson(size, BASELINE + periods)
        shares = np.full(sizes.size, share)
        if spread:
            shares = draw.beta(share * spread, (1 - share) * spread, sizes.size)
        if is_shifted:
            shares[BASELINE:] = odds / (1 + odds)
        made = chart(draw.binomial(sizes, shares), sizes)
        if made.promise is not None:
            yield made


@pytest.mark.parametrize(
    ("share", "size", "spread"), [(0.3, 40, 0.0), (0.9, 60, 0.0), (0.5, 200, 0.0), (0.3, 80, 20.0), (0.04, 40, 0.0)]
)
def test_a_stable_clinic_gets_false_signals_as_often_as_stated(share: float, size: int, spread: float) -> None:
    charts = list(simulate(share, size, periods=YEAR, seed=11, spread=spread))
    seen = np.mean([any(made.rules[BASELINE:]) for made in charts])
    stated = np.mean([made.promise.false_signal for made in charts if made.promise])
    error = np.sqrt(stated * (1 - stated) / len(charts))
    assert abs(seen - stated) < 3.3 * error + 0.02


def test_a_run_chart_of_a_stable_clinic_does_the_same() -> None:
    draw = np.random.default_rng(13)
    charts = [run_chart(draw.gamma(4.0, 3.0, BASELINE + YEAR)) for _ in range(900)]
    seen = np.mean([any(made.rules[BASELINE:]) for made in charts])
    stated = np.mean([made.promise.false_signal for made in charts if made.promise])
    assert abs(seen - stated) < 0.03


@pytest.mark.parametrize(("share", "size"), [(0.3, 40), (0.9, 60), (0.04, 40)])
def test_a_shift_gives_its_signal_within_the_printed_delay(share: float, size: int) -> None:
    charts = list(simulate(share, size, periods=48, seed=12, is_shifted=True))
    waits = [next((n for n, rule in enumerate(made.rules[BASELINE:], 1) if rule), 48) for made in charts]
    assert np.mean(waits) <= np.mean(
        [made.promise.delay for made in charts if made.promise and made.promise.delay]
    ) + 3 * np.std(waits) / np.sqrt(len(waits))
