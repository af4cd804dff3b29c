"""Stated probabilities against who has the condition: counts, verdicts, and what is withheld."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hidden_examiners import CONDITION, HiddenClinic, hidden_clinic

from examtally.analytics.bias_adjusted.calibration import bias_adjusted_calibration, verdict
from examtally.analytics.bias_adjusted.missed import expected_missed, with_expected
from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.calibration.tables import CalibrationTables
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol

CONTRACT = load_contract()
PROTOCOL = Protocol.defaults(CONTRACT)
EXAMINERS = ("E-1", "E-2", "E-3", "E-4")
UNLIKELY = 0.1


@pytest.fixture(scope="module")
def clinic() -> HiddenClinic:
    return hidden_clinic(5, knees=1200, examiners=len(EXAMINERS))


def calibrated(clinic: HiddenClinic, stated: pl.DataFrame | None = None) -> CalibrationTables:
    said = clinic.stated if stated is None else stated
    return bias_adjusted_calibration(said, clinic.records, clinic.models, EXAMINERS, CONTRACT, PROTOCOL)


@pytest.fixture(scope="module")
def tables(clinic: HiddenClinic) -> CalibrationTables:
    return calibrated(clinic)


def test_a_verdict_needs_limits_that_exclude_one() -> None:
    assert [verdict(0.5, 0.99), verdict(1.01, 3.0), verdict(0.9, 1.1)] == ["overconfident", "underconfident", None]
    assert [verdict(0.9, None), verdict(None, 0.9), verdict(1.1, None)] == [None, "overconfident", "underconfident"]


def test_every_eligible_knee_counts_imaged_or_not(clinic: HiddenClinic, tables: CalibrationTables) -> None:
    overall = tables.calibration.filter(group_by="overall")
    assert set(overall["n"]) == {clinic.present.size}
    assert set(overall["events"]) == {round(clinic.models.fitted[CONDITION].draws.chance.sum())}
    examiner = tables.calibration.filter(group_by="examiner", measure="slope")
    assert examiner["n"].to_list() == np.bincount(clinic.examiner).tolist()
    assert tables.calibration.filter(pl.col("measure") != "slope")["verdict"].null_count() == examiner.height * 4 + 12


def test_shares_are_counts_of_knees_that_add_up(clinic: HiddenClinic, tables: CalibrationTables) -> None:
    counts = tables.curves.filter(group_by="overall")
    assert set(counts["curve"]) == {"counts"}
    assert counts["n"].sum() == clinic.present.size
    assert counts["expected"].sum() == pytest.approx(clinic.models.fitted[CONDITION].draws.chance.sum())
    enough = counts.filter(pl.col("n") >= 30)
    truth = [
        clinic.present[np.abs(clinic.stated["probability"].to_numpy() - p) < 0.0249].mean() for p in enough["predicted"]
    ]
    assert enough["observed"].to_list() == pytest.approx(truth, abs=0.2)
    assert (enough["band_low"] <= enough["observed"]).all()
    assert (enough["observed"] <= enough["band_high"]).all()


def test_the_order_of_what_was_stated_does_not_matter(clinic: HiddenClinic, tables: CalibrationTables) -> None:
    turned = calibrated(clinic, clinic.stated.reverse()).calibration
    slopes = [
        frame.filter(measure="slope", group_by="overall")["estimate"].item() for frame in (turned, tables.calibration)
    ]
    assert slopes[0] == pytest.approx(slopes[1], rel=1e-4)


def test_surgery_in_every_knee_gives_the_plain_slope(clinic: HiddenClinic) -> None:
    model = clinic.models.fitted[CONDITION]
    known = np.repeat(np.packbits(np.ones(8, bool)), model.draws.statuses.shape[1])
    draws = replace(
        model.draws,
        statuses=np.where(clinic.present[:, None], known, 0).astype(np.uint8),
        chance=clinic.present.astype(float),
    )
    sure = BiasModels({CONDITION: replace(model, draws=draws)}, {})
    made = bias_adjusted_calibration(clinic.stated, clinic.records, sure, (), CONTRACT, PROTOCOL).calibration
    (row,) = made.filter(measure="brier", group_by="overall").to_dicts()
    said = clinic.stated["probability"].to_numpy()
    assert row["events"] == clinic.present.sum()
    assert row["estimate"] == pytest.approx(np.mean((said - clinic.present) ** 2), rel=0.05)


def test_nothing_is_said_where_the_chains_do_not_agree_or_too_little_was_read(clinic: HiddenClinic) -> None:
    model = clinic.models.fitted[CONDITION]
    apart = BiasModels({CONDITION: replace(model, r_hat=1.5)}, {})
    made = bias_adjusted_calibration(clinic.stated, clinic.records, apart, (), CONTRACT, PROTOCOL)
    assert set(made.calibration["flag"]) == {"withheld"}
    assert made.calibration["estimate"].null_count() == made.calibration.height
    assert made.curves["expected"].null_count() == made.curves.height
    few = calibrated(clinic, clinic.stated.head(15)).calibration
    assert few["note"].str.starts_with("Too few to say").all()


def test_false_readings_are_taken_off_missed_injuries(clinic: HiddenClinic) -> None:
    found = expected_missed(clinic.stated, clinic.models, [CONDITION, "pcl_tear"], UNLIKELY)
    chance = clinic.models.fitted[CONDITION].draws.chance
    unlikely = clinic.stated["probability"].to_numpy() < UNLIKELY
    read = (clinic.records.exams[f"status_{CONDITION}"] == "present").to_numpy()
    assert found["period"].to_list() == ["2026-01", "2026-02"]
    assert found["false"].sum() == pytest.approx((1 - chance)[unlikely & read].sum())
    assert found["among_all"].sum() == pytest.approx(chance[unlikely].sum())
    truly_false = (unlikely & read & ~clinic.present).sum()
    assert found["false"].sum() == pytest.approx(truly_false, abs=4 + 0.5 * truly_false)
    rows = pl.DataFrame(
        {
            "period": ["2026-01", "2026-01", "2026-03"],
            "indicator": ["missed_injuries", "verified", "missed_injuries"],
            "group_by": "overall",
            "mature": True,
            "numerator": [30, 30, 7],
            "expected": None,
            "expected_all": None,
        }
    )
    made = with_expected(rows, found)
    assert made["expected"].to_list() == [pytest.approx(30 - found["false"][0]), None, 7.0]
    assert made["expected_all"].to_list() == [pytest.approx(found["among_all"][0]), None, 0.0]
