"""The truth is true: parameters, estimands, dependence, verification and calibration are what the scenario says."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from examtally.cohort.cohort import build_cohort
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.synthesis import SynthesisReport
from examtally.synthesis.clinic import Clinic, Part, draw_parts, open_clinic
from examtally.synthesis.findings import NEGATIVE, POSITIVE
from examtally.synthesis.membership import MemoryCohort
from examtally.synthesis.scenario_file import load_scenario
from examtally.synthesis.skill import learning_gap
from examtally.synthesis.truth import correlation

CONTRACT = load_contract()
ROLES = CONTRACT.tables["examiners"].field("role").enum or ()
_NO_EFFECT = "{sensitivity: 0, specificity: 0}"
EVEN = f"""\
skill:
  roles: {{{", ".join(f"{role}: {_NO_EFFECT}" for role in ROLES)}}}
  spread: {_NO_EFFECT}
  learning: {{gap: 0}}
"""


def _families(person: float, knee: float, hands: float) -> str:
    sds = f"{{person: {person}, knee: {knee}, hands: {hands}}}"
    return f"families: {{laxity: {sds}, tender: {sds}, motion: {sds}, look: {sds}}}\n"


def _overall(truth: dict[str, Any]) -> pl.DataFrame:
    frame: pl.DataFrame = truth["accuracy"]
    return frame.filter(pl.col("group_by") == "overall")


# --- the parameter


def test_where_nothing_else_is_special_the_parameter_is_what_the_scenario_states(based: Callable[..., Path]) -> None:
    scenario = load_scenario(based(EVEN + _families(0, 0, 0) + "reference_people: 5000\n"))
    reference = open_clinic(scenario, 1).reference
    for maneuver in ("sweep_test", "quadriceps_active", "popliteal_fullness"):  # nothing shifts them
        plan = scenario.maneuvers[maneuver]
        assert plan.driver is not None
        assert plan.accuracy is not None
        p = reference.found.probability[:, reference.found.maneuvers.index(maneuver)]
        present = reference.exams.numbers[plan.driver]
        np.testing.assert_allclose(p[present], plan.accuracy.sensitivity, rtol=1e-6)
        np.testing.assert_allclose(1 - p[~present], plan.accuracy.specificity, rtol=1e-6)


def test_naive_figures_on_all_knees_of_a_very_large_clinic_recover_the_parameter(clinic: Clinic) -> None:
    found, exams = clinic.reference.found, clinic.reference.exams
    distances = []
    for condition, maneuver in CONTRACT.catalogue.pairs:
        if condition == "none":
            continue
        column = found.maneuvers.index(maneuver)
        for present in (True, False):
            among = exams.numbers[condition] == present
            result, p = found.result[among, column], found.probability[among, column].astype(float)
            clear = np.isin(result, (POSITIVE, NEGATIVE))
            error = math.sqrt((p[clear] * (1 - p[clear])).sum())
            distances.append(((result[clear] == POSITIVE).sum() - p[clear].sum()) / error)
    assert len(distances) > 80
    assert abs(np.mean(distances)) < 0.3
    assert max(map(abs, distances)) < 4


def test_parameters_are_plausible(truth: dict[str, Any]) -> None:
    """Published ranges: Lachman 0.81/0.85 and pivot shift 0.55/0.94 (Sokal 2022), drawer 0.38 in acute knees
    (van Eck 2013), McMurray 0.61/0.84 (Smith 2015), prevalence of a sports clinic."""
    rows = {(row["condition"], row["maneuver"], row["measure"]): row["parameter"] for row in _overall(truth).to_dicts()}
    for pair, measure, low, high in [
        (("acl_tear", "lachman"), "sensitivity", 0.73, 0.90),
        (("acl_tear", "lachman"), "specificity", 0.82, 0.95),
        (("acl_tear", "anterior_drawer"), "sensitivity", 0.42, 0.78),
        (("acl_tear", "pivot_shift"), "sensitivity", 0.28, 0.62),
        (("acl_tear", "pivot_shift"), "specificity", 0.92, 0.99),
        (("medial_meniscus_tear", "mcmurray_medial"), "sensitivity", 0.45, 0.74),
        (("medial_meniscus_tear", "mcmurray_medial"), "specificity", 0.69, 0.92),
        (("medial_meniscus_tear", "medial_joint_line_tenderness"), "sensitivity", 0.65, 0.90),
    ]:
        assert low <= rows[(*pair, measure)] <= high
    prevalence = dict(truth["prevalence"].select("condition", "parameter").iter_rows())
    assert 0.15 <= prevalence["acl_tear"] <= 0.25
    assert 0.15 <= prevalence["medial_meniscus_tear"] <= 0.30
    assert 0.06 <= prevalence["lateral_meniscus_tear"] <= 0.12
    assert 0.10 <= prevalence["mcl_injury"] <= 0.20
    assert 0.35 <= prevalence["knee_effusion"] <= 0.55


@pytest.mark.parametrize(
    ("maneuver", "condition", "column", "worse", "better"),
    [
        ("lachman", "acl_tear", "acl_tear", "partial", "complete"),
        ("anterior_drawer", "acl_tear", "guarding", "yes", "no"),
        ("pivot_shift", "acl_tear", "guarding", "yes", "no"),
        ("valgus_stress_30", "mcl_injury", "mcl_injury", "grade_1", "grade_3"),
    ],
)
def test_partial_tears_and_guarding_lower_sensitivity(
    clinic: Clinic, maneuver: str, condition: str, column: str, worse: str, better: str
) -> None:
    exams, found = clinic.reference.exams, clinic.reference.found
    p = found.probability[:, found.maneuvers.index(maneuver)]
    among = [exams.numbers[condition] & exams.coded[column].equals(code) for code in (worse, better)]
    assert p[among[0]].mean() < p[among[1]].mean() - 0.08


def test_students_are_less_accurate_than_attendings_over_all_maneuvers(clinic: Clinic) -> None:
    exams, found = clinic.reference.exams, clinic.reference.found
    indices = {}
    for role in ("student", "attending"):
        own = exams.coded["role"].equals(role)
        rates = []
        for column, plan in enumerate(clinic.context.scenario.maneuvers.values()):
            if plan.driver is not None:
                p, present = found.probability[own, column], exams.numbers[plan.driver][own]
                rates.append(p[present].mean() - p[~present].mean())  # Youden's index
        indices[role] = np.mean(rates)
    assert indices["student"] < indices["attending"] - 0.05


def test_learners_halve_their_gap_every_half_life(clinic: Clinic) -> None:
    skill, exams = clinic.context.scenario.skill, clinic.reference.exams
    team = clinic.context.scenario.examiners
    gap = learning_gap(clinic.context.scenario, exams)
    (student,) = [number for number, each in enumerate(team) if each.code == "E-07"]
    start = team[student].start
    assert start is not None
    for periods in (0, 4, 8):
        rows = (exams.numbers["examiner"] == student) & (exams.numbers["period"] == start - 1 + periods)
        np.testing.assert_allclose(gap[rows], skill.learning.gap * 0.5 ** (periods / skill.learning.half_life_periods))
    assert gap[exams.coded["role"].equals("attending")].max() == 0


# --- the estimands belong to the analysis sets


def test_estimands_rest_on_the_very_exams_that_the_tallies_count(truth: dict[str, Any], part: Part) -> None:
    with MemoryCohort(CONTRACT) as memory:
        memory.add(part.records)
        with build_cohort(memory.con, CONTRACT, Protocol.defaults(CONTRACT)) as cohort:
            tallies = cohort.tallies()
    keys = ["condition", "maneuver", "group_by", "group"]
    rows = ["interpretable_rows", "verified_rows"]
    stated = truth["accuracy"].group_by(keys).agg(pl.col(rows).sum())
    both = tallies.filter(pl.col("condition") != "none", pl.col("interpretable") > 0).join(stated, on=keys, how="left")
    assert len(both) > 3000
    assert both["interpretable"].to_list() == both["interpretable_rows"].to_list()
    # the verified of the tallies are those called present or absent; the truth knows the same exams
    assert both["verified"].to_list() == both["verified_rows"].to_list()


def test_estimands_are_means_over_their_members(truth: dict[str, Any], part: Part) -> None:
    """By hand for one pair and one group: index exams of attendings, period closed, ACL torn, Lachman clear."""
    exams, found = part.drawn.seen.exams, part.drawn.found
    with MemoryCohort(CONTRACT) as memory:
        memory.add(part.records)
        members = memory.members()
    role = next(grouping for grouping in members.groupings if grouping.name == "role")
    column = found.maneuvers.index("lachman")
    total, count = 0.0, 0
    for row in np.flatnonzero(members.eligible(role, "acl_tear")):
        is_theirs = role.labels[role.place[row]] == "attending"
        if is_theirs and exams.numbers["acl_tear"][row] and found.result[row, column] in (POSITIVE, NEGATIVE):
            total, count = total + float(found.probability[row, column]), count + 1
    (stated,) = (
        truth["accuracy"]
        .filter(
            (pl.col("condition") == "acl_tear") & (pl.col("maneuver") == "lachman") & (pl.col("group_by") == "role"),
            (pl.col("group") == "attending") & (pl.col("measure") == "sensitivity"),
        )
        .to_dicts()
    )
    assert count == stated["interpretable_rows"] > 10
    assert stated["interpretable"] == pytest.approx(total / count, abs=1e-6)


def test_the_truth_holds_aggregates_only(written: SynthesisReport) -> None:
    text = (written.out / "truth.json").read_text(encoding="utf-8")
    for table, column in (("participants", "participant_id"), ("exams", "exam_id"), ("references", "reference_id")):
        ids = pl.read_csv(written.out / "records" / f"{table}.csv", columns=[column], infer_schema=False).to_series()
        assert not any(identifier in text for identifier in ids.unique()[:200])


def test_every_group_of_the_tallies_has_its_truth(truth: dict[str, Any]) -> None:
    groups = truth["accuracy"].group_by("group_by").agg(pl.col("group").unique())
    named = dict(groups.iter_rows())
    for group_by in ("overall", "examiner", "role", "setting", "acuity", "sex", "age_band", "effusion", "guarding"):
        assert named[group_by]
    assert len(named["examiner"]) == 14
    assert len(named["period"]) == 18
    assert set(named["site"]) == {"S-01", "S-02"}


# --- dependence


def _phi(p: npt.NDArray[np.float64], q: npt.NDArray[np.float64]) -> float:
    """Correlation of two results whose coins are independent, from their probabilities."""
    covariance = (p * q).mean() - p.mean() * q.mean()
    return float(covariance / math.sqrt(p.mean() * (1 - p.mean()) * q.mean() * (1 - q.mean())))


def test_correlation_by_quadrature_agrees_with_simulation() -> None:
    random = np.random.default_rng(5)
    shared, first, second = random.standard_normal((3, 400_000))
    logits = 0.7 + 0.9 * shared, 0.7 + 0.9 * shared
    p, q = (1 / (1 + np.exp(-(logit + 0.6 * own))) for logit, own in zip(logits, (first, second), strict=True))
    assert correlation(0.7, 0.9, 0.6) == pytest.approx(_phi(p, q), abs=0.004)
    assert correlation(0.7, 0.0, 0.6) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("condition_is_present", [True, False])
def test_two_knees_of_one_person_hang_together_as_stated(
    based: Callable[..., Path], condition_is_present: bool
) -> None:
    """Both knees with an effusion, or both without: the sweep test, which nothing else shifts."""
    person, knee, hands = 1.2, 0.8, 0.5
    lines = EVEN + _families(person, knee, hands) + "visits: {both_knees: 1, colleague: 0}\nreference_people: 500\n"
    lines += "conditions: {knee_effusion: {present: {base: 0.3, odds: {comparison: 1}}}}\n"
    scenario = load_scenario(based(lines))
    (part,) = draw_parts(open_clinic(scenario, 3), 30_000)
    exams, found = part.drawn.seen.exams, part.drawn.found
    first = ~(exams.numbers["repeat_visit"] | exams.numbers["second_hands"] | exams.numbers["second_complaint"])
    own = np.flatnonzero(first & ~exams.numbers["comparison"])
    other = own + 1  # the other knee stands right below
    assert exams.numbers["comparison"][other].all()
    effusion = exams.numbers["knee_effusion"]
    alike = (effusion[own] == condition_is_present) & (effusion[other] == condition_is_present)
    p = found.probability[:, found.maneuvers.index("sweep_test")].astype(float)
    accuracy = scenario.maneuvers["sweep_test"].accuracy
    assert accuracy is not None
    rate = accuracy.sensitivity if condition_is_present else 1 - accuracy.specificity
    implied = correlation(math.log(rate / (1 - rate)), person, math.hypot(knee, hands))
    assert implied > 0.12
    assert _phi(p[own[alike]], p[other[alike]]) == pytest.approx(implied, abs=0.03)


def test_two_pairs_of_hands_on_one_knee_hang_together_as_stated(based: Callable[..., Path]) -> None:
    person, knee, hands = 0.5, 1.2, 0.8
    lines = EVEN + _families(person, knee, hands) + "visits: {both_knees: 0, colleague: 1}\nreference_people: 500\n"
    scenario = load_scenario(based(lines))
    (part,) = draw_parts(open_clinic(scenario, 3), 30_000)
    exams, found = part.drawn.seen.exams, part.drawn.found
    second = np.flatnonzero(exams.numbers["second_hands"] & ~exams.numbers["knee_effusion"])
    p = found.probability[:, found.maneuvers.index("sweep_test")].astype(float)
    known = exams.coded["other_exam_known"].equals("yes")[second]
    accuracy = scenario.maneuvers["sweep_test"].accuracy
    assert accuracy is not None
    centre = -math.log(accuracy.specificity / (1 - accuracy.specificity))
    implied = correlation(centre, math.hypot(person, knee), hands)
    assert _phi(p[second[~known]], p[second[~known] - 1]) == pytest.approx(implied, abs=0.03)
    # who knew what the first hands found does not disagree with them but for the coin
    np.testing.assert_array_equal(p[second[known]], p[second[known] - 1])


def test_maneuvers_of_one_knee_depend_on_each_other_given_the_condition(truth: dict[str, Any]) -> None:
    """Lachman and drawer in torn knees: a covariance of 0.04 to 0.08; McMurray and joint line: 0.03 to 0.06."""
    joint = truth["dependence"]["joint"]
    pairs = {
        ("lachman", "anterior_drawer"): (0.03, 0.09),
        ("medial_joint_line_tenderness", "mcmurray_medial"): (0.02, 0.07),
    }
    for (first, second), (low, high) in pairs.items():
        chosen = joint.filter((pl.col("maneuver_a") == first) & (pl.col("maneuver_b") == second))
        present = dict(chosen.select("given", "covariance").iter_rows())["present"]
        assert low <= present <= high


# --- who is imaged, and what is said


def test_positive_knees_are_imaged_more_often(part: Part) -> None:
    exams, found = part.drawn.seen.exams, part.drawn.found
    mri = next(test for test in part.drawn.tests if test.modality == "mri")
    imaged = np.zeros(part.drawn.population.complaints.rows, dtype=bool)
    imaged[mri.complaint] = True
    own = ~exams.numbers["comparison"] & ~exams.numbers["repeat_visit"]
    for maneuver, difference in (("lachman", 0.25), ("mcmurray_medial", 0.10)):
        result = found.result[:, found.maneuvers.index(maneuver)]
        shares = [imaged[exams.numbers["complaint"][own & (result == code)]].mean() for code in (POSITIVE, NEGATIVE)]
        assert shares[0] > shares[1] + difference
    assert 0.2 < imaged.mean() < 0.55


def test_selection_biases_the_naive_figures_in_the_known_direction(based: Callable[..., Path]) -> None:
    """On verified knees sensitivity is overstated and specificity understated, by more than chance."""
    (part,) = draw_parts(open_clinic(load_scenario(based("reference_people: 4000\n")), 11), 30_000)
    exams, found = part.drawn.seen.exams, part.drawn.found
    mri = next(test for test in part.drawn.tests if test.modality == "mri")
    imaged = np.zeros(part.drawn.population.complaints.rows, dtype=bool)
    imaged[mri.complaint] = True
    result = found.result[:, found.maneuvers.index("lachman")]
    clear = ~exams.numbers["comparison"] & np.isin(result, (POSITIVE, NEGATIVE))
    torn, seen = exams.numbers["acl_tear"], imaged[exams.numbers["complaint"]]
    positive = result == POSITIVE
    assert positive[clear & torn & seen].mean() > positive[clear & torn].mean() + 0.03
    assert positive[clear & ~torn & seen].mean() > positive[clear & ~torn].mean() + 0.03


def test_references_say_what_the_scenario_says(clinic: Clinic, truth: dict[str, Any]) -> None:
    rows = {(row["modality"], row["condition"]): row for row in truth["references"].to_dicts()}
    mri = rows["mri", "acl_tear"]
    assert 0.78 <= mri["truly_present_called_present"] / mri["truly_present"] <= 0.97
    assert 0.90 <= mri["truly_absent_called_absent"] / mri["truly_absent"] <= 0.99
    for condition in clinic.context.scenario.references["arthroscopy"].covers:
        scoped = rows["arthroscopy", condition]
        assert scoped["truly_present_called_present"] == scoped["truly_present"]
        assert scoped["truly_absent_called_absent"] == scoped["truly_absent"]


def test_arthroscopy_follows_mri_and_mostly_a_positive_one(part: Part) -> None:
    tests = {test.modality: test for test in part.drawn.tests}
    mri, scope = tests["mri"], tests["arthroscopy"]
    first = dict(zip(mri.complaint[::-1].tolist(), mri.day[::-1].tolist(), strict=True))
    assert all(
        day > first[complaint] for complaint, day in zip(scope.complaint.tolist(), scope.day.tolist(), strict=True)
    )
    positive = np.zeros(part.drawn.population.complaints.rows, dtype=bool)
    for condition in scope.said:
        answer = mri.said[condition]
        positive[mri.complaint[answer.status == 0]] = True
    assert positive[scope.complaint].mean() > 0.8
    assert 0.1 < len(scope.complaint) / positive.sum() < 0.45


def test_every_condition_that_something_settles_gets_references(part: Part) -> None:
    readings = part.records["references"].filter(pl.col("status") != "indeterminate")
    for code, condition in CONTRACT.catalogue.conditions.items():
        if condition.modalities and not condition.derived_from:
            settling = readings.filter(pl.col("condition") == code, pl.col("modality").is_in(condition.modalities))
            assert settling.filter(pl.col("status") == "absent").height > 10
            assert settling.filter(pl.col("status") == "present").height > 1


def test_the_sheet_shows_everything_that_can_happen(part: Part) -> None:
    records = part.records
    for table, column, left_out in [
        ("findings", "result", set()),
        ("findings", "reason", set()),
        ("findings", "sign", set()),
        ("findings", "end_point", set()),
        ("exams", "setting", set()),
        ("exams", "mechanism", set()),
        ("exams", "effusion", set()),
        ("exams", "other_knee", set()),
        ("exams", "reference_known", set()),
        ("participants", "activity", set()),
        ("references", "modality", {"ct"}),
        ("references", "status", set()),
    ]:
        legal = set(CONTRACT.tables[table].field(column).enum or ()) - left_out
        assert set(records[table][column].drop_nulls()) == legal, f"{table}.{column}"
    exams = records["exams"]
    assert exams.filter(pl.col("complaint") == "no").height > 800
    assert exams.filter(pl.col("episode") == 2).height > 50
    assert exams.filter(pl.col("examiner_order") == 2).height > 200
    assert exams["examiner_role"].drop_nulls().len() > 10
    assert records["participants"].filter(pl.col("age_years") < 16).height > 60


def test_confidence_shows_in_the_slope(clinic: Clinic) -> None:
    """The more confident an examiner's statements, the flatter the truth along them."""
    from examtally.synthesis.logistic import fit_logistic

    reference, team = clinic.reference, clinic.context.scenario.examiners
    column = reference.said.columns.index(("acl_tear", "after_exam"))
    slopes = []
    for code in ("E-04", "E-01", "E-07"):  # confidence 1.7, 1.0 and 0.5
        (number,) = [number for number, each in enumerate(team) if each.code == code]
        own = reference.exams.numbers["examiner"] == number
        stated = np.clip(reference.said.probability[own, column], 0.005, 0.995)
        known = np.column_stack([np.ones(len(stated)), np.log(stated / (1 - stated))])
        slopes.append(fit_logistic(known, reference.exams.numbers["acl_tear"][own])[1])
    assert slopes[0] < slopes[1] - 0.15 < slopes[2] - 0.3


def test_stated_probabilities_are_human_numbers(part: Part, clinic: Clinic) -> None:
    spoken = {number for scale in clinic.context.scenario.forecasts.numbers.values() for number in scale}
    assert set(part.records["impressions"]["probability"]) <= spoken
    assert {0.0, 1.0} <= set(part.records["impressions"]["probability"])
