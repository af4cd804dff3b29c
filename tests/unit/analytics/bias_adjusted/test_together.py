"""Two maneuvers compared, and several as one test, by the draws of who has the condition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hidden_examiners import CONDITION, MANEUVERS, HiddenClinic, hidden_clinic

from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.bias_adjusted.together import with_bias_adjusted_combinations, with_bias_adjusted_comparisons
from examtally.analytics.comparison.contrast import COMPARED, contrasts_of
from examtally.analytics.test_combinations.combinations import RULES
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, result_tables

CONTRACT = load_contract()
PROTOCOL = Protocol.defaults(CONTRACT)
COUNTS = {"n": 50, "participants": 50}


@pytest.fixture(scope="module")
def clinic() -> HiddenClinic:
    return hidden_clinic(8, knees=1500, spread=0.0)


def _rows(name: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    schema = {key: kind for key, kind in result_tables()[name].schema.items() if key not in ("status", "flag", "note")}
    return conform(name, pl.DataFrame(rows, schema=schema))


@pytest.fixture(scope="module")
def seen() -> pl.DataFrame:
    """The verified knees' own comparison, as far as rows and counts go."""
    key = {"condition": CONDITION, "maneuver_a": MANEUVERS[0], "maneuver_b": MANEUVERS[1], "group_by": "overall"}
    rest = {"group": "all", "adjustment": "none", "test": "mcnemar_midp", "only_a": 9, "only_b": 4, "p_value": 0.2}
    return _rows(
        "comparisons",
        [
            key | rest | COUNTS | {"measure": measure, "contrast": contrast}
            for measure in COMPARED
            for contrast in contrasts_of(measure)
        ],
    )


def compared(seen: pl.DataFrame, models: BiasModels) -> pl.DataFrame:
    return with_bias_adjusted_comparisons(seen, models, CONTRACT, PROTOCOL).filter(adjustment="bias_adjusted")


def shares(clinic: HiddenClinic, positive: np.ndarray) -> tuple[float, float]:
    """True sensitivity and specificity in these very knees."""
    return float(positive[clinic.present].mean()), float(1 - positive[~clinic.present].mean())


def found(clinic: HiddenClinic, maneuver: str) -> np.ndarray:
    return (clinic.records.exams[f"result_{maneuver}"] == "positive").to_numpy()


def test_the_difference_is_that_of_all_knees_and_its_limits_hold_it(clinic: HiddenClinic, seen: pl.DataFrame) -> None:
    rows = compared(seen, clinic.models)
    assert rows.height == seen.height
    truths = [shares(clinic, found(clinic, m)) for m in MANEUVERS]
    for place, measure in enumerate(("sensitivity", "specificity")):
        (row,) = rows.filter(measure=measure, contrast="difference").to_dicts()
        truth = truths[0][place] - truths[1][place]
        assert row["difference"] == pytest.approx(row["estimate_a"] - row["estimate_b"], abs=0.02)
        assert row["ci_low"] < truth < row["ci_high"]
        assert (row["test"], row["p_value"], row["flag"], row["note"]) == ("none", None, None, None)
        assert (row["n"], row["only_a"], row["participants"]) == (50, 9, 50)


def test_likelihood_ratios_are_compared_as_a_ratio(clinic: HiddenClinic, seen: pl.DataFrame) -> None:
    rows = compared(seen, clinic.models)
    (ratio,) = rows.filter(measure="lr_positive").to_dicts()
    assert ratio["contrast"] == "ratio"
    assert ratio["difference"] == pytest.approx(ratio["estimate_a"] / ratio["estimate_b"], rel=0.05)


def test_what_is_withheld_of_a_condition_is_withheld_of_its_comparisons(
    clinic: HiddenClinic, seen: pl.DataFrame
) -> None:
    apart = BiasModels({CONDITION: replace(clinic.models.fitted[CONDITION], r_hat=1.4)}, {})
    rows = compared(seen, apart)
    assert set(rows["flag"]) == {"withheld"}
    assert rows["difference"].null_count() == rows["estimate_a"].null_count() == rows.height
    assert rows["note"].str.contains("do not agree").all()


def test_combinations_are_counted_in_all_knees_never_multiplied(clinic: HiddenClinic) -> None:
    key = {"condition": CONDITION, "maneuvers": ", ".join(MANEUVERS), "interval": "wilson", "events": 20}
    table = _rows(
        "combinations",
        [
            key | COUNTS | {"rule": rule, "adjustment": "none", "measure": measure, "if_independent": 0.5}
            for rule in RULES
            for measure in ("sensitivity", "specificity", "lr_positive", "lr_negative")
        ],
    )
    rows = with_bias_adjusted_combinations(table, clinic.models, CONTRACT, PROTOCOL).filter(adjustment="bias_adjusted")
    assert rows.height == table.height
    assert rows["if_independent"].null_count() == rows.height
    both = [found(clinic, m) for m in MANEUVERS]
    for rule, positive in (("any_of", both[0] | both[1]), ("all_of", both[0] & both[1])):
        for measure, truth in zip(("sensitivity", "specificity"), shares(clinic, positive), strict=True):
            (row,) = rows.filter(rule=rule, measure=measure).to_dicts()
            assert row["ci_low"] < truth < row["ci_high"]
            assert row["ci_high"] - row["ci_low"] < 0.35
    sensitivity = rows.filter(measure="sensitivity")
    assert sensitivity.filter(rule="any_of")["estimate"].item() > sensitivity.filter(rule="all_of")["estimate"].item()
