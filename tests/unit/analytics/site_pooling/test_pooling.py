"""Groups together: the published example, what the shared assumption does, and what cannot be known from three."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.special import expit
from scipy.stats import norm, t

from examtally.analytics.site_pooling.pooling import LEAST, own_interval, pool_groups, without_each
from examtally.analytics.site_pooling.tables import pooled_sites_table

# Glas et al. J Urol 2003 (telomerase in bladder cancer) as used by Riley et al. BMC Med Res Methodol 2007;7:3; by REML
TELOMERASE = np.array(
    [
        *((25, 1, 8, 25), (17, 3, 4, 11), (88, 16, 16, 80), (16, 3, 10, 137), (40, 1, 17, 24)),
        *((38, 6, 9, 12), (23, 0, 19, 18), (27, 2, 6, 20), (14, 3, 3, 29), (37, 22, 7, 7)),
    ]
)
MEAN, ERROR = (1.1399792464451228, 1.9474048315892036), (0.1840166681616538, 0.503587211037265)
VARIANCE = (0.1998543273551248, 2.1319711140709274)


def telomerase() -> tuple[np.ndarray, np.ndarray]:
    tp, fp, fn, tn = TELOMERASE.T + 0.5
    within = np.zeros((len(TELOMERASE), 2, 2))
    within[:, 0, 0], within[:, 1, 1] = 1 / tp + 1 / fn, 1 / tn + 1 / fp
    return np.column_stack([np.log(tp / fn), np.log(tn / fp)]), within


def test_the_published_example_by_restricted_maximum_likelihood() -> None:
    found = pool_groups(*telomerase())
    assert found is not None
    for figure, mean, error, variance in zip(
        (found.sensitivity, found.specificity), MEAN, ERROR, VARIANCE, strict=True
    ):
        reach, further = t.ppf(0.975, 9) * error, t.ppf(0.975, 8) * np.sqrt(error**2 + variance)
        assert figure.estimate == pytest.approx(expit(mean), abs=1e-3)
        assert (figure.low, figure.high) == pytest.approx(tuple(expit([mean - reach, mean + reach])), abs=2e-3)
        assert (figure.predict_low, figure.predict_high) == pytest.approx(
            tuple(expit([mean - further, mean + further])), abs=3e-3
        )
        assert figure.between_sd**2 == pytest.approx(variance, abs=5e-3)
    assert found.correlation == pytest.approx(-0.984, abs=2e-3)


def test_three_groups_are_not_pooled() -> None:
    logits, within = telomerase()
    assert pool_groups(logits[: LEAST - 1], within[: LEAST - 1]) is None
    logits[LEAST - 1 :, 0] = np.nan  # specificity alone is shown by the others
    assert pool_groups(logits, within) is None


def test_the_order_of_groups_is_nothing_and_labels_may_be_swapped() -> None:
    logits, within = telomerase()
    found, turned = pool_groups(logits, within), pool_groups(logits[::-1], within[::-1])
    swapped = pool_groups(logits[:, ::-1], within[:, ::-1, ::-1])
    assert found is not None
    assert turned is not None
    assert swapped is not None
    assert turned.sensitivity.low == pytest.approx(found.sensitivity.low, abs=1e-4)
    assert swapped.specificity.high == pytest.approx(found.sensitivity.high, abs=1e-3)


def test_what_all_assume_does_not_average_out() -> None:
    groups, shared_sd = 60, 0.4
    within = np.tile(np.diag([0.05 + shared_sd**2, 0.05]), (groups, 1, 1))
    shared = np.tile(np.diag([shared_sd**2, 0.0]), (groups, 1, 1))
    logits = np.random.default_rng(3).normal(1.0, np.sqrt(0.05), (groups, 2))
    found = pool_groups(logits, within, shared)
    assert found is not None
    centre = np.log(found.sensitivity.estimate / (1 - found.sensitivity.estimate))
    low = np.log(found.sensitivity.low / (1 - found.sensitivity.low))
    assert centre - low > norm.ppf(0.975) * shared_sd
    assert found.specificity.high - found.specificity.low < 0.05


def summaries(groups: int) -> pl.DataFrame:
    logits, within = telomerase()
    return pl.DataFrame(
        {
            "condition": "acl_tear",
            "maneuver": "lachman",
            "site_code": [f"S-{n:02}" for n in range(groups)],
            "logit_sensitivity": logits[:groups, 0],
            "logit_specificity": logits[:groups, 1],
            "var_sensitivity": within[:groups, 0, 0],
            "var_specificity": within[:groups, 1, 1],
            **dict.fromkeys(
                ("covariance", "shared_var_sensitivity", "shared_var_specificity", "shared_covariance"), 0.0
            ),
            **{cell: TELOMERASE[:groups, at] for at, cell in enumerate(("tp", "fp", "fn", "tn"))},
        }
    )


def test_the_table_has_everybody_and_all_without_one_each() -> None:
    made = pooled_sites_table(summaries(10))
    led = made.filter(adjustment="bias_adjusted")
    assert led.height == 2 * (1 + 10)
    logits, within = telomerase()
    for place, found in enumerate(without_each(logits, within, np.zeros_like(within))):
        row = led.filter(without=f"S-{place:02}", measure="sensitivity").row(0, named=True)
        assert found is not None
        assert (row["estimate"], row["sites"]) == (pytest.approx(found.sensitivity.estimate), 9)
    counted = made.filter(adjustment="none", measure="specificity").row(0, named=True)
    assert counted["method"] == "binomial"
    assert np.log(counted["estimate"] / (1 - counted["estimate"])) == pytest.approx(2.27, abs=0.02)


def test_a_few_groups_stand_side_by_side_and_say_why() -> None:
    made = pooled_sites_table(summaries(3))
    assert set(made["method"]) == {"side_by_side"}
    assert made["estimate"].null_count() == made.height == 4
    assert made["note"].str.contains("Fewer than 4 groups").all()


def test_the_own_interval_is_that_of_the_logit() -> None:
    assert own_interval(0.0, 1.0) == pytest.approx((expit(-1.959964), expit(1.959964)), abs=1e-6)
