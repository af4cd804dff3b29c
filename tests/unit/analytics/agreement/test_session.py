"""An agreement day of known faults: an early threshold, a bent knee, honest scatter; and measures."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from examtally.analytics.agreement.session import day_agreement, day_measures, day_steps
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import conform

CONTRACT = load_contract()
PROTOCOL = load_protocol(None, CONTRACT)
EXAMINERS, SUBJECTS = 4, 24


def _day(maneuver: str, wrong: np.ndarray, **columns: np.ndarray) -> pl.DataFrame:
    """Readings of a day; `wrong` and the columns have shape (examiners, subjects)."""
    truth = np.arange(SUBJECTS) % 2 == 0
    rows = [
        {
            "examiner_id": f"E{examiner + 1:02}",
            "participant_id": f"P{subject:02}",
            "side": "right",
            "maneuver": maneuver,
            "result": "positive" if truth[subject] ^ wrong[examiner, subject] else "negative",
            "sign": None,
            "grade": None,
            "measure": None,
            "flexion_deg": None,
            "end_point": None,
        }
        | {name: values[examiner, subject].item() for name, values in columns.items()}
        for examiner in range(EXAMINERS)
        for subject in range(SUBJECTS)
    ]
    kinds = {
        "sign": pl.String,
        "grade": pl.Int64,
        "measure": pl.Float64,
        "flexion_deg": pl.Int64,
        "end_point": pl.String,
    }
    return pl.DataFrame(rows, schema_overrides=kinds, infer_schema_length=None)


def _nobody() -> np.ndarray:
    return np.zeros((EXAMINERS, SUBJECTS), dtype=bool)


def _chosen(readings: pl.DataFrame) -> list[str]:
    return conform("agreement_steps", day_steps(readings, PROTOCOL)).filter(chosen=True)["step"].to_list()


def test_an_early_threshold_is_told_from_a_bent_knee_and_from_scatter() -> None:
    early = _nobody()
    early[0, 1::2] = True  # calls every negative one positive
    assert _chosen(_day("lachman", early)) == ["threshold"]

    bent = _nobody()
    bent[1, :6], bent[2, 6:12], bent[0, 12:18] = True, True, True
    angle = np.where(bent, 50, 25)
    assert _chosen(_day("lachman", bent, flexion_deg=angle)) == ["flexion_deg"]
    assert _chosen(_day("lachman", bent, flexion_deg=np.full(bent.shape, 25))) == ["technique"]
    assert _chosen(_day("lachman", _nobody())) == []


def test_agreement_of_the_day_counts_every_pair_of_examiners() -> None:
    wrong = _nobody()
    wrong[0, :6] = True
    found = conform("agreement", day_agreement(_day("lachman", wrong), CONTRACT, PROTOCOL))
    overall = found.filter(group_by="overall", statistic="observed_agreement").row(0, named=True)
    assert overall["pairs"] == 6 * SUBJECTS
    assert overall["participants"] == SUBJECTS
    assert overall["estimate"] == pytest.approx(1 - 3 * 6 / (6 * SUBJECTS))
    own = found.filter(group_by="examiner", group="E01", statistic="observed_agreement").row(0, named=True)
    assert own["estimate"] == pytest.approx(1 - 6 / SUBJECTS)
    assert set(found["maneuver"]) == {"lachman"}


def test_measures_use_whom_all_measured_and_pairs_whom_both_did() -> None:
    draw = np.random.default_rng(3)
    truth = draw.normal(20, 8, SUBJECTS)
    values = truth[None, :] + draw.normal(0, 2, (EXAMINERS, SUBJECTS)) + np.array([0, 0, 0, 5])[:, None]
    values[2, 0] = np.nan
    readings = _day("flexion_deficit", _nobody(), measure=values).with_columns(pl.col("measure").fill_nan(None))
    found = conform("measure_agreement", day_measures(readings, CONTRACT, PROTOCOL))
    whole = {row["statistic"]: row for row in found.filter(group_by="overall").iter_rows(named=True)}
    assert whole["icc_2_1"]["subjects"] == SUBJECTS - 1
    assert whole["icc_3_1"]["estimate"] > whole["icc_2_1"]["estimate"] > 0.6
    pair = found.filter(group="E01+E04", statistic="mean_difference").row(0, named=True)
    assert pair["subjects"] == SUBJECTS
    assert pair["ci_low"] < -5 < pair["ci_high"]
