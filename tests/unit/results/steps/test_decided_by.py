"""What a reader decides by comes from who has the condition: steps of an analysis of a clinic whose truth is known."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl
import pytest
from known_clinic import KnownClinic, known_clinic

from examtally.analytics.bias_adjusted.missed import expected_missed
from examtally.cohort.forecasts import read_stated
from examtally.results.steps import accuracy, calibration_and_agreement, comparisons, diagnostic_models

LED = pl.col("adjustment") == "bias_adjusted"


@pytest.fixture(scope="module")
def clinic() -> Iterator[KnownClinic]:
    with known_clinic(20317, conditions=("acl_tear",)) as made:
        yield made


@pytest.fixture(scope="module")
def present(clinic: KnownClinic) -> np.ndarray:
    return clinic.present("acl_tear", clinic.models.fitted["acl_tear"].knees.rows)


def test_post_test_values_follow_from_the_leading_ratios(clinic: KnownClinic) -> None:
    ratios = clinic.work.once(accuracy.accuracy).filter(LED, measure="lr_positive", group_by="overall")
    lachman = clinic.work.once(accuracy.post_test).filter(LED, maneuver="lachman", result="positive")
    assert set(lachman["lr"]) == set(ratios.filter(maneuver="lachman")["estimate"])
    odds = lachman["post_test"] / (1 - lachman["post_test"])
    before = lachman["pre_test"] / (1 - lachman["pre_test"])
    assert (odds / before).to_list() == pytest.approx(lachman["lr"].to_list())


def test_two_maneuvers_are_compared_in_all_knees(clinic: KnownClinic) -> None:
    made = comparisons.comparisons(clinic.work)
    rows = made.filter(LED, maneuver_a="lachman", maneuver_b="pivot_shift", contrast="difference")
    knees = clinic.models.fitted["acl_tear"].knees.rows
    both = [clinic.chances(maneuver, knees) for maneuver in ("lachman", "pivot_shift")]
    inside = both[0][1] & both[1][1] & clinic.present("acl_tear", knees)
    truth = (both[0][0] - both[1][0])[inside].mean()
    (row,) = rows.filter(measure="sensitivity").to_dicts()
    assert row["ci_low"] < truth < row["ci_high"]
    assert {"none", "verification"} < set(made["adjustment"])


def test_stated_probabilities_are_held_against_all_knees(clinic: KnownClinic) -> None:
    made = calibration_and_agreement.calibration(clinic.work).filter(
        forecast="examiner_after_exam", group_by="overall", measure="slope"
    )
    assert made["adjustment"].to_list() == ["none", "bias_adjusted"]
    seen, led = made.to_dicts()
    assert led["n"] > 2 * seen["n"]
    assert seen["verdict"] is None
    assert led["verdict"] is None or not led["ci_low"] <= 1 <= led["ci_high"]
    curves = calibration_and_agreement.calibration_curve(clinic.work).filter(LED, group_by="overall")
    assert set(curves["curve"]) == {"counts"}


def test_decisions_are_weighed_in_all_knees(clinic: KnownClinic, present: np.ndarray) -> None:
    made = diagnostic_models.decision_curve(clinic.work).filter(LED)
    assert set(made["n"]) == {present.size}
    share = present.mean()
    for row in made.filter(strategy="all").to_dicts():
        odds = row["threshold"] / (1 - row["threshold"])
        assert row["ci_low"] < share - (1 - share) * odds < row["ci_high"]
        assert (row["imaged_per_100"], row["missed_per_100"], row["avoided_per_100"]) == (100.0, 0.0, 0.0)
    nobody = made.filter(strategy="none")
    assert nobody["missed_per_100"].to_list() == pytest.approx([100 * share] * nobody.height, abs=4)
    exam, history = (made.filter(strategy=f"model_{name}", threshold=0.1).to_dicts()[0] for name in ("exam", "history"))
    assert exam["avoided_per_100"] > history["avoided_per_100"] > 10


def test_missed_injuries_have_their_false_readings_taken_off(clinic: KnownClinic, present: np.ndarray) -> None:
    stated = read_stated(clinic.work.cohort.con)
    found = expected_missed(stated, clinic.models, ["acl_tear"], clinic.work.protocol.monitoring.unlikely)
    knees = clinic.models.fitted["acl_tear"].knees
    unlikely = stated.filter(pl.col("probability") < 0.1, forecast="examiner_after_exam", condition="acl_tear")["row"]
    inside = np.isin(knees.rows, unlikely.to_numpy())
    read = (knees.frame["status_acl_tear"] == "present").to_numpy() & inside
    assert 0 < found["false"].sum() < read.sum()
    assert found["false"].sum() == pytest.approx((read & ~present).sum(), abs=5)
    assert found["among_all"].sum() == pytest.approx((inside & present).sum(), abs=8)


def test_groups_are_compared_in_all_knees_and_examiners_are_clusters(clinic: KnownClinic) -> None:
    made = comparisons.interactions(clinic.work).filter(maneuver="lachman", measure="specificity")
    rows = {(row["group_by"], row["adjustment"]): row for row in made.to_dicts()}
    led, seen = rows["role", "bias_adjusted"], rows["role", "none"]
    assert (led["test"], seen["test"]) == ("examiner_clusters", "examiner_clusters")
    assert "examiners stand behind the groups" in led["note"]
    assert led["ci_low"] < led["estimate_a"] - led["estimate_b"] < led["ci_high"]
    assert rows["acuity", "bias_adjusted"]["test"] == "none"
    knees = clinic.models.fitted["acl_tear"].knees.rows
    chances, inside = clinic.chances("lachman", knees)
    group = clinic.work.verification_frame["acuity"].cast(pl.String).to_numpy()[knees]
    absent = inside & ~clinic.present("acl_tear", knees)
    row = rows["acuity", "bias_adjusted"]
    a, b = (1 - chances[absent & (group == row[name])].mean() for name in ("group_a", "group_b"))
    assert row["ci_low"] < a - b < row["ci_high"]
