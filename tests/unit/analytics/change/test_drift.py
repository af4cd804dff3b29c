"""A change of level is found where it is, and a stable page cries wolf as seldom as it says."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.change.drift import FALSE_ALARMS, drift_table, events_table, largest_jump
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import conform

SEED = 20261131


def _alarms(runs: int, *, shift: float = 0.0, spread: float = 0.0, periods: int = 24) -> float:
    """Share of series of monthly shares with P < 0.05; `spread` adds to the months, logit."""
    draw = np.random.default_rng([SEED, round(100 * shift), round(100 * spread)])
    found = 0
    for run in range(runs):
        cases = draw.integers(25, 60, periods).astype(float)
        logit = -0.85 + spread * draw.standard_normal(periods) + shift * (np.arange(periods) >= periods // 2)
        share = draw.binomial(cases.astype(int), 1 / (1 + np.exp(-logit))) / cases
        jump = largest_jump(share, cases, [SEED, run])
        assert jump is not None
        found += jump.p_value < FALSE_ALARMS
    return found / runs


def test_a_jump_is_found_at_its_period() -> None:
    values = np.r_[np.full(10, 0.3), np.full(8, 0.5)] + np.tile([0.01, -0.01], 9)
    jump = largest_jump(values, np.full(18, 40.0), [1])
    assert jump is not None
    assert jump.at == 10
    assert (jump.before, jump.after) == pytest.approx((0.3, 0.5))
    assert jump.p_value < 0.001
    assert largest_jump(values[:11], np.full(11, 40.0), [1]) is None
    assert largest_jump(values, np.full(18, 2.0), [1]) is None


def test_a_short_run_cries_wolf_seldom_and_finds_a_shift() -> None:
    assert _alarms(80) <= 0.14
    assert _alarms(40, shift=0.7) >= 0.7


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.0, 0.3])
@pytest.mark.parametrize("periods", [12, 24])
def test_stable_series_alarm_in_4_to_6_of_100(spread: float, periods: int) -> None:
    rate = _alarms(2000, spread=spread, periods=periods)
    print(f"{periods} periods, spread {spread}: {rate:.1%} alarms")
    assert 0.03 <= rate <= 0.07


def test_the_table_holds_each_series_and_events_near_an_alarm_alone() -> None:
    contract = load_contract()
    protocol = load_protocol(None, contract)
    periods = [f"P{number:03}" for number in range(1, 19)]
    indicators = pl.DataFrame(
        {
            "indicator": "verified",
            "group_by": "overall",
            "period": periods,
            "denominator": 50,
            "value": [0.3 + 0.3 * (number >= 9) + 0.01 * (number % 2) for number in range(18)],
            "mature": True,
        }
    )
    pairs = pl.DataFrame({"maneuver": "lachman", "period": periods * 8, "same": [True, False] * 72})
    made = drift_table(indicators, BiasModels({}, {}), pairs, protocol, {"lachman": "acl_tear"})
    table = conform("drift", made)
    assert table.select("kind", "item").rows() == [("record", "verified"), ("agreement", "observed_agreement")]
    (alarm,) = table.filter("alarm").iter_rows(named=True)
    assert (alarm["item"], alarm["period"]) == ("verified", "P010")
    first = pl.DataFrame({"event": ["new_reader", "new_reader", "new_examiner"], "period": ["P009", "P009", "P003"]})
    assert conform("drift_events", events_table(first, table)).select("period", "event", "number").rows() == [
        ("P009", "new_reader", 2)
    ]
