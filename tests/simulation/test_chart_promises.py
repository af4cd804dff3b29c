"""Charts keep what they print: false signals of a stable clinic, and the delay after a shift."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from examtally.analytics.control_charts import BASELINE, Chart, chart, run_chart

CLINICS = 200
FEW = 80  # of the cumulative chart, whose limits take longer to find
YEAR = 12


# share, cases a month, spread, clinics, false signals stated and seen in per cent, delay printed and seen in months
TABLE = [
    (0.3, 40, 0.0, 4000, 12.7, 12.5, 4.0, 3.7),
    (0.9, 60, 0.0, 3000, 14.2, 12.7, 4.6, 4.0),
    (0.5, 200, 0.0, 4000, 12.3, 11.7, 1.1, 1.1),
    (0.3, 80, 20.0, 4000, 23.4, 23.3, None, None),
    (0.85, 300, 30.0, 4000, 24.3, 25.9, None, None),
    (0.04, 40, 0.0, 1000, 4.4, 5.7, 18.3, 12.1),
]


def simulate(
    share: float,
    size: int,
    *,
    periods: int,
    seed: int,
    spread: float = 0.0,
    is_shifted: bool = False,
    clinics: int | None = None,
) -> Iterator[Chart]:
    """Yield charts of clinics; with `spread` each month has its own share; `is_shifted` changes the odds twofold."""
    draw = np.random.default_rng(seed)
    odds = share / (1 - share) * (2 if share <= 0.5 else 0.5)
    for _ in range(clinics or (CLINICS if share * size > 5 else FEW)):
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


@pytest.mark.study
@pytest.mark.parametrize("row", TABLE)
def test_the_published_table_comes_back(
    row: tuple[float, int, float, int, float, float, float | None, float | None],
) -> None:
    share, size, spread, clinics, stated, seen, printed, waited = row
    charts = list(simulate(share, size, periods=YEAR, seed=1, spread=spread, clinics=clinics))
    found = 100 * np.mean([any(made.rules[BASELINE:]) for made in charts])
    promised = 100 * np.mean([made.promise.false_signal for made in charts if made.promise])
    assert (round(promised, 1), round(found, 1)) == (stated, seen)
    if printed is not None:
        moved = list(simulate(share, size, periods=80, seed=2, is_shifted=True, clinics=clinics // 2))
        waits = [next((n for n, rule in enumerate(made.rules[BASELINE:], 1) if rule), 80) for made in moved]
        delay = np.mean([made.promise.delay for made in moved if made.promise and made.promise.delay])
        assert (round(float(delay), 1), round(float(np.mean(waits)), 1)) == (printed, waited)
