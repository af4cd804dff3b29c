"""Accuracy against printed numbers: each with the paper it stands in, or the formula it was computed from."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from examtally.analytics.diagnostic_accuracy import proportions
from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.analytics.diagnostic_accuracy.clustering import (
    effective_size,
    linear_variance,
    product_matrix,
    ratio_weights,
)
from examtally.analytics.diagnostic_accuracy.likelihood_ratios import score_interval
from examtally.analytics.diagnostic_accuracy.predictive_values import post_test
from examtally.analytics.intervals import normal_quantile, t_quantile
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol

CELLS = ("tp", "fp", "fn", "tn")
Make = Callable[..., Any]

# Newcombe RG. Stat Med 1998;17:857-872, table I, as printed to four decimals.
NEWCOMBE = [
    ("wilson", 81, 263, 0.2553, 0.3662),
    ("wilson", 15, 148, 0.0624, 0.1605),
    ("wilson", 0, 20, 0.0, 0.1611),
    ("wilson", 1, 29, 0.0061, 0.1718),
    ("clopper_pearson", 81, 263, 0.2527, 0.3676),
    ("clopper_pearson", 15, 148, 0.0578, 0.1617),
    ("clopper_pearson", 0, 20, 0.0, 0.1684),
    ("clopper_pearson", 1, 29, 0.0009, 0.1776),
]


@pytest.mark.parametrize(("method", "events", "n", "low", "high"), NEWCOMBE)
def test_newcombe(method: str, events: int, n: int, low: float, high: float) -> None:
    limits = proportions.METHODS[method](events, n, 0.95)
    assert (round(float(limits.low), 4), round(float(limits.high), 4)) == (low, high)


def test_proportion_formulas_to_all_digits() -> None:
    """From the formulas of Brown, Cai & DasGupta. Stat Sci 2001;16:101-133, worked out in double precision."""
    expected = {
        "wilson": (0.2552885198782742, 0.36620957698280004),
        "clopper_pearson": (0.25273674558527126, 0.36762192260135135),
        "jeffreys": (0.2545219349910236, 0.36564749917408246),
        "agresti_coull": (0.25522066518999675, 0.3662774316710775),
    }
    for method, (low, high) in expected.items():
        limits = proportions.METHODS[method](81, 263, 0.95)
        assert (float(limits.low), float(limits.high)) == pytest.approx((low, high), abs=1e-12)
    assert float(proportions.wilson(0, 20).high) == pytest.approx(0.16112515805281938, abs=1e-12)
    assert float(proportions.clopper_pearson(0, 20).high) == pytest.approx(0.1684334709830853, abs=1e-12)


def accuracy(
    contract: Contract, knee: Make, tally: Make, cells: tuple[int, ...], **keys: Any
) -> dict[str, dict[str, Any]]:
    """The accuracy table of a 2x2 table of single knees, by measure."""
    knees = [knee(person, str(cell)) for person, cell in enumerate(np.repeat(CELLS, cells))]
    table = accuracy_table(tally(knees), None, contract, load_protocol(keys, contract))
    return {row["measure"]: row for row in table.iter_rows(named=True)}


def test_liver_scan(contract: Contract, knee: Make, tally: Make) -> None:
    """Drum DE, Christacopoulos JS. J Nucl Med 1972, in Altman DG, Bland JM. BMJ 1994;308:1552 and 309:102.

    Printed: sensitivity 0.90, specificity 0.63, PPV 0.88, NPV 0.67, prevalence 0.75, LR+ 2.4. The limits of the ratios
    are from the formulas of Simel, Samsa & Matchar. J Clin Epidemiol 1991;44:763-770, in double precision.
    """
    keys = {"intervals": {"lr": "log_delta", "zero_cells": "half"}}
    got = accuracy(contract, knee, tally, (231, 32, 27, 54), **keys)
    printed = {"sensitivity": 0.90, "specificity": 0.63, "ppv": 0.88, "npv": 0.67, "prevalence": 0.75}
    assert {measure: round(got[measure]["estimate"], 2) for measure in printed} == printed
    assert round(got["lr_positive"]["estimate"], 1) == 2.4
    assert got["accuracy"]["estimate"] == pytest.approx(0.8284883720930233)
    limits = {
        "lr_positive": (2.40625, 1.8227906278318318, 3.1764696252509923),
        "lr_negative": (0.1666666666666666, 0.11258965856552879, 0.24671695546186148),
        "diagnostic_odds_ratio": (14.4375, 7.989636298784904, 26.088973071490198),
    }
    for measure, values in limits.items():
        row = got[measure]
        assert (row["estimate"], row["ci_low"], row["ci_high"]) == pytest.approx(values, rel=1e-9)
        assert row["interval"] == "log_delta"


def test_liver_scan_at_a_prevalence_of_a_quarter(contract: Contract, knee: Make, tally: Make) -> None:
    """Altman & Bland. BMJ 1994;309:102: at 0.25 the PPV is 0.45 and the NPV 0.95."""
    got = accuracy(contract, knee, tally, (231, 32, 27, 54), predictive_values={"prevalence": 0.25})
    assert round(got["ppv"]["estimate"], 2) == 0.45
    assert round(got["npv"]["estimate"], 2) == 0.95
    assert got["ppv"]["estimate"] == pytest.approx(0.44508670520231214)
    assert got["npv"]["estimate"] == pytest.approx(0.9473684210526316)
    assert post_test(0.25, 2.40625) == pytest.approx(0.44508670520231214)


def test_zero_cell_with_a_half_added(contract: Contract, knee: Make, tally: Make) -> None:
    """0.5 added to all four cells because one is 0 (Haldane 1956; Cox 1970), then Simel 1991, in double precision."""
    got = accuracy(contract, knee, tally, (20, 0, 5, 30), intervals={"lr": "log_delta", "zero_cells": "half"})
    limits = {
        "lr_positive": (48.88461538461543, 3.104646183704815, 769.7191499129578),
        "lr_negative": (0.2150063051702396, 0.10222836269766196, 0.452200446559783),
        "diagnostic_odds_ratio": (227.36363636363637, 11.91588734412915, 4338.260479272251),
    }
    for measure, values in limits.items():
        row = got[measure]
        assert (row["estimate"], row["ci_low"], row["ci_high"]) == pytest.approx(values, rel=1e-9)


def test_koopman() -> None:
    """Koopman PAR. Biometrics 1984;40:513-517, his example: 36/40 against 16/80, ratio 4.5, limits 2.94 and 7.15."""
    limits = score_interval(36, 40, 16, 80)
    assert (round(float(limits.low), 2), round(float(limits.high), 2)) == (2.94, 7.15)


# Weil CS. Food Cosmet Toxicol 1970;8:177-182: pups alive at 4 days and alive at weaning, by litter; used by
# Williams DA. Biometrics 1975;31:949-952 and Rao JNK, Scott AJ. Biometrics 1992;48:577-585.
CONTROL = (
    [13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10],
    [13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7],
)
TREATED = (
    [12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7],
    [12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0],
)


def litters(group: tuple[list[int], list[int]]) -> tuple[float, float, float, float]:
    """Share alive, its linearised variance, design effect and effective size without the t factor."""
    n, y = (np.array(side) for side in group)
    dead = n - y
    zero = [0]
    products = {"tp_tp": [y @ y], "tp_fn": [y @ dead], "fn_fn": [dead @ dead]}
    products |= dict.fromkeys(("tp_fp", "tp_tn", "fp_fp", "fp_fn", "fp_tn", "fn_tn", "tn_tn"), zero)
    weights = ratio_weights([[y.sum(), 0, dead.sum(), 0]], ("tp",), ("tp", "fn"))
    variance = linear_variance(weights, product_matrix(products), [16])
    size = effective_size([y.sum()], [n.sum()], variance, [16])
    without_t = size.n[0] * (float(t_quantile(0.95, 15)) / normal_quantile(0.95)) ** 2
    return y.sum() / n.sum(), float(variance[0]), float(size.deff[0]), without_t


def test_rao_scott_litters() -> None:
    """var = m/(m-1) sum (y - p n)^2 / (sum n)^2 and deff = var / (p (1 - p) / sum n), in double precision."""
    control, treated = litters(CONTROL), litters(TREATED)
    assert control == pytest.approx((0.8987341772151899, 0.0007099411851458449, 1.2324953943067687, 128.19520521524458))
    assert treated == pytest.approx((0.7724137931034483, 0.004792249907274007, 3.9528606259640737, 36.68229510739088))


def test_rao_scott_chi_square_on_effective_counts() -> None:
    """Pearson's chi-square is 8.90 as if pups were independent, and 4.04 on counts divided by the design effects."""
    (p, _, _, n), (q, _, _, m) = litters(CONTROL), litters(TREATED)
    both = (p * n + q * m) / (n + m)
    assert (p - q) ** 2 / (both * (1 - both) * (1 / n + 1 / m)) == pytest.approx(4.040610501136383, rel=1e-9)


def test_kish_design_effect() -> None:
    """Kish L. Survey Sampling, 1965: deff = 1 + (2 - 1) 0.3 = 1.3, so 200 knees count as 153.846."""
    n, p, correlation = 200, 0.5, 0.3
    variance = p * (1 - p) / n * (1 + correlation)
    size = effective_size([n * p], [n], [variance], [100])
    assert size.deff[0] == pytest.approx(1.3, rel=1e-12)
    without_t = size.n[0] * (float(t_quantile(0.95, 99)) / normal_quantile(0.95)) ** 2
    assert without_t == pytest.approx(153.84615384615384)
