"""What is counted from the analysis set: tallies, cluster sums, flow, summary and forecasts."""

from __future__ import annotations

import random
from collections import Counter
from itertools import combinations_with_replacement

import polars as pl
import pytest
from clinic import Records, connect, small_contract
from ends import cohort_of, tally
from random_clinic import random_clinic

from examtally.cohort.cohort import Cohort, build_cohort
from examtally.cohort.reasons import REASONS, STEPS
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.contracts.results import OPEN, conform, result_codes

CELLS = ("tp", "fp", "fn", "tn")
FRAMES = ("tallies", "role_clusters", "flow", "summary", "forecasts")


WITHOUT_STUDY = [reason for reason in REASONS if reason != "outside_population"]


def _clinic(seed: int = 7) -> Cohort:
    contract = small_contract()
    return build_cohort(connect(contract, random_clinic(seed, contract)), contract, Protocol.defaults(contract))


def _verified(*cells: tuple[str, str, str]) -> Records:
    """One verified knee a cell: (participant, side, cell), examined by E1 with the drawer."""
    records = Records()
    for number, (person, side, cell) in enumerate(cells, 1):
        positive, present = cell in ("tp", "fp"), cell in ("tp", "fn")
        records.exam(f"EX{number}", person, side=side, examiner_role="fellow" if cell == "fp" else "attending")
        records.finding(f"EX{number}", "drawer", "positive" if positive else "negative")
        records.reference("ligament", "present" if present else "absent", 5, participant_id=person, side=side)
    return records


def test_products_are_sums_over_people_not_over_rows() -> None:
    """Three people: torn and sound with both found (tp, tn); both torn (tp, tp); one torn knee missed (fn)."""
    records = _verified(
        *(("PT1", "left", "tp"), ("PT1", "right", "tn"), ("PT2", "left", "tp"), ("PT2", "right", "tp")),
        ("PT3", "left", "fn"),
    )
    row = tally(records)
    assert [row[cell] for cell in CELLS] == [3, 0, 1, 1]
    assert (row["participants"], row["knees"], row["verified"]) == (3, 5, 5)
    counts = {"present": 3, "absent": 1, "positive": 2, "negative": 2}
    assert {name: row[f"participants_{name}"] for name in counts} == counts
    products = {f"{a}_{b}": row[f"{a}_{b}"] for a, b in combinations_with_replacement(CELLS, 2)}
    assert {name: value for name, value in products.items() if value} == {
        "tp_tp": 1 + 4,
        "tp_tn": 1,
        "fn_fn": 1,
        "tn_tn": 1,
    }


def test_a_second_episode_of_a_knee_is_a_row_but_no_other_knee() -> None:
    records = _verified(("PT1", "left", "tp"))
    records.exam("EX9", "PT1", episode=2).finding("EX9", "drawer", "negative")
    records.reference("ligament", "present", 5, episode=2)
    row = tally(records)
    assert (row["verified"], row["participants"], row["knees"], row["tp_fn"]) == (2, 1, 1, 1)


def test_clusters_of_a_role_are_examiners_and_people_within_examiners() -> None:
    records = _verified(*(("PT1", "left", "tp"), ("PT1", "right", "tn"), ("PT2", "left", "tp"), ("PT3", "left", "fp")))
    records.exam("EX9", "PT2", side="right", examiner_id="E2", examiner_role="attending").finding("EX9", "drawer")
    records.reference("ligament", "present", 5, participant_id="PT2", side="right")
    with cohort_of(records) as cohort:
        rows = {row["group"]: row for row in cohort.role_clusters().to_dicts()}
    assert set(rows) == {"attending", "fellow"}
    row = rows["attending"]
    assert (row["tp"], row["tn"], row["examiners"]) == (3, 1, 2)
    assert (row["examiners_present"], row["examiners_absent"]) == (2, 1)
    assert (row["ex_tp_tp"], row["ex_tp_tn"], row["ex_tn_tn"]) == (2 * 2 + 1, 2 * 1, 1)
    assert (row["px_tp_tp"], row["px_tp_tn"], row["px_tn_tn"]) == (1 + 1 + 1, 1, 1)


@pytest.mark.parametrize(
    ("equivocal", "expected"),
    [
        ("excluded", {"equivocal": 2, "interpretable": 0, "tp": 0, "fn": 0, "equivocal_present": 1}),
        ("positive", {"equivocal": 0, "interpretable": 2, "tp": 1, "fn": 0, "unverified_positive": 1}),
        ("negative", {"equivocal": 0, "interpretable": 2, "tp": 0, "fn": 1, "unverified_negative": 1}),
    ],
)
def test_equivocal_findings_count_as_the_protocol_says(equivocal: str, expected: dict[str, int]) -> None:
    records = Records().exam("EX1").finding("EX1", "drawer", "equivocal").reference("ligament", "present", 5)
    records.exam("EX2", "PT2").finding("EX2", "drawer", "equivocal")
    row = tally(records, equivocal=equivocal)
    assert {name: row[name] for name in expected} == expected
    assert (row["exams"], row["done"]) == (2, 2)


def test_not_done_and_not_recorded_are_told_apart() -> None:
    records = Records().exam("EX1").finding("EX1", "drawer", "not_done").exam("EX2", "PT2")
    row = tally(records)
    assert (row["exams"], row["done"], row["not_done"], row["not_recorded"]) == (1, 0, 1, 1)


@pytest.mark.parametrize(
    ("group_by", "field", "limits"),
    [
        ("acuity", "days_since_onset", {0: "acute", 21: "acute", 22: "subacute", 84: "subacute", 85: "chronic"}),
        ("thigh_band", "thigh_cm", {44: "under_45", 45: "45_54", 54: "45_54", 55: "55_over", None: "unknown"}),
    ],
)
def test_bands_begin_where_the_protocol_says(group_by: str, field: str, limits: dict[int | None, str]) -> None:
    records = Records()
    for number, value in enumerate(limits):
        records.exam(f"EX{number}", f"PT{number}", **{field: value})
    for group, exams in Counter(limits.values()).items():
        assert tally(records, group_by, group)["not_recorded"] == exams


def test_age_sex_and_site_come_from_the_other_tables_and_may_be_unknown() -> None:
    records = Records().exam("EX1").exam("EX2", "PT2", examiner_id="E2")
    records.add("participants", participant_id="PT1", age_years=39, sex="female", bmi=30)
    records.add("examiners", examiner_id="E1", role="nurse", site_id="SITE1")
    for group_by, group in (("age_band", "26_39"), ("sex", "female"), ("bmi_band", "30_over"), ("site", "SITE1")):
        assert tally(records, group_by, group)["not_recorded"] == 1
        assert tally(records, group_by, "unknown")["not_recorded"] == 1
    assert tally(records, "role", "nurse")["not_recorded"] == 1


def test_the_role_of_the_day_goes_before_the_role_in_the_list() -> None:
    records = Records().exam("EX1", examiner_role="fellow").add("examiners", examiner_id="E1", role="resident")
    assert tally(records, "role", "fellow")["not_recorded"] == 1


def test_groups_partition_the_overall_table() -> None:
    with _clinic() as cohort:
        tallies = cohort.tallies()
    key = ["condition", "maneuver"]
    added = [
        *("exams", "done", "equivocal", "interpretable", "verified", *CELLS, "window_open", "not_recorded"),
        *("positive", "negative", "not_done", "unverified_positive", "indeterminate_negative", "equivocal_absent"),
    ]
    overall = tallies.filter(group_by="overall").select(*key, *added).sort(key)
    names = tallies["group_by"].unique().to_list()
    elsewhere = {"examiner_pair", "examiner_supervisor", "same_examiner", "learner_supervisor", "done_order"} | {
        "severity"
    }
    own = set(small_contract().catalogue.groupings)
    assert own
    assert set(names) == set(result_codes()["group_by"]) - elsewhere - {OPEN["group_by"]} | own
    for group_by in set(names) - {"examiner"}:
        summed = tallies.filter(group_by=group_by).group_by(key).agg(pl.col(added).sum()).sort(key)
        assert summed.equals(overall), group_by


def test_flow_adds_up_to_every_exam_for_every_pair() -> None:
    with _clinic() as cohort:
        flow, exams = cohort.flow(), cohort.summary().filter(item="exams")["value"].item()
        overall = cohort.tallies().filter(group_by="overall")
    assert flow.group_by("condition", "maneuver").agg(pl.col("exams").sum())["exams"].unique().to_list() == [exams]
    assert flow["reason"].to_list() == list(WITHOUT_STUDY) * len(small_contract().catalogue.pairs)
    for reason, column in (("analysed", "verified"), ("window_open", "window_open"), ("not_done", "not_done")):
        assert flow.filter(reason=reason)["exams"].to_list() == overall[column].to_list()


def test_every_reason_has_a_declared_step_in_order() -> None:
    steps = list(result_codes()["step"])
    places = [steps.index(STEPS[reason]) for reason in REASONS]
    assert places == sorted(places)
    assert set(STEPS.values()) == set(steps)


def test_what_leaves_is_what_the_results_declare() -> None:
    with _clinic() as cohort:
        for name, frame in (
            ("tallies", cohort.tallies()),
            ("flow", cohort.flow()),
            ("cohort_summary", cohort.summary()),
        ):
            assert conform(name, frame).height == frame.height


def test_row_order_of_the_records_is_nothing() -> None:
    contract = small_contract()
    records = random_clinic(11, contract)
    protocol = Protocol.defaults(contract)
    first = build_cohort(connect(contract, records), contract, protocol)
    for rows in records.tables.values():
        random.Random(1).shuffle(rows)
    second = build_cohort(connect(contract, records), contract, protocol)
    for name in FRAMES:
        assert getattr(first, name)().equals(getattr(second, name)()), name


def test_the_same_registry_gives_the_same_frames_and_two_cohorts_stand_side_by_side() -> None:
    contract = small_contract()
    con = connect(contract, random_clinic(12, contract))
    plain = build_cohort(con, contract, Protocol.defaults(contract))
    before = {name: getattr(plain, name)() for name in FRAMES}
    other = build_cohort(con, contract, load_protocol({"equivocal": "positive"}, contract))
    again = build_cohort(con, contract, Protocol.defaults(contract))
    for name in FRAMES:
        assert getattr(plain, name)().equals(before[name])
        assert getattr(again, name)().equals(before[name])
    assert not other.tallies().equals(before["tallies"])
    other.close()
    assert plain.flow().equals(before["flow"])


def test_an_empty_registry_has_a_row_for_every_pair_and_no_person() -> None:
    contract = small_contract()
    with build_cohort(connect(contract, {}), contract, Protocol.defaults(contract)) as cohort:
        tallies, flow = cohort.tallies(), cohort.flow()
        assert cohort.forecasts().is_empty()
        assert cohort.role_clusters().is_empty()
        assert cohort.summary()["value"].sum() == 0
    assert list(tallies.select("condition", "maneuver").iter_rows()) == list(contract.catalogue.pairs)
    assert tallies["group_by"].unique().to_list() == ["overall"]
    assert tallies.select(pl.selectors.integer()).sum_horizontal().sum() == 0
    assert flow["exams"].sum() == 0


def test_the_whole_knee_goes_through_an_empty_registry(contract: Contract, protocol: Protocol) -> None:
    with build_cohort(connect(contract, {}), contract, protocol) as cohort:
        assert cohort.tallies().height == len(contract.catalogue.pairs)
        assert cohort.flow().height == len(contract.catalogue.pairs) * len(WITHOUT_STUDY)


def test_forecasts_stand_beside_what_was_true() -> None:
    records = _verified(("PT1", "left", "tp"), ("PT2", "left", "tn")).exam("EX8", "PT2", day=1).exam("EX9", "PT3")
    for exam, stage, stated in (
        ("EX1", "after_exam", 0.9),
        ("EX1", "after_history", 0.4),
        ("EX2", "after_exam", 0.0),
        ("EX8", "after_exam", 0.7),
        ("EX9", "after_exam", 0.6),
    ):
        records.add("impressions", exam_id=exam, condition="ligament", stage=stage, probability=stated)
    with cohort_of(records) as cohort:
        assert cohort.forecasts().rows() == [
            ("ligament", "examiner_after_history", "attending", 1, 0.4, 1),
            ("ligament", "examiner_after_exam", "attending", 1, 0.9, 1),
            ("ligament", "examiner_after_exam", "attending", 2, 0.0, 0),
        ]


def test_hindsight_is_counted_and_stays_in() -> None:
    records = Records().exam("EX1", batch_no=2).finding("EX1", "drawer", batch_no=3)
    records.add("impressions", exam_id="EX1", condition="ligament", stage="after_exam", probability=0.5, batch_no=1)
    records.reference("ligament", "present", 5, batch_no=2).reference("ligament", "present", 9, batch_no=4)
    with cohort_of(records) as cohort:
        late = cohort.summary().filter(item="entered_late")
        assert dict(late.select("group", "value").iter_rows()) == {"exams": 0, "findings": 1, "impressions": 0}
        assert cohort.tallies().filter(maneuver="drawer", group_by="overall")["tp"].to_list() == [1]


def test_the_summary_counts_who_was_studied() -> None:
    records = _verified(("PT1", "left", "tp"), ("PT1", "right", "tn")).exam(
        "EX3", "PT2", complaint="no", period="2019-11"
    )
    records.reference("ligament", "present", 5, "ct").reference("ligament", "present", 5, participant_id="PT9")
    records.add("participants", participant_id="PT1", sex="female", activity="competitive_sport")
    contract = small_contract()
    with build_cohort(connect(contract, records), contract, Protocol.defaults(contract)) as cohort:
        summary = cohort.summary()
    found = {(item, group): value for item, group, value in summary.select("item", "group", "value").iter_rows()}
    expected = {
        ("exams", "all"): 3,
        ("participants", "all"): 2,
        ("knees", "all"): 3,
        ("comparison_exams", "all"): 1,
        ("index_exams", "all"): 2,
        ("index_participants", "all"): 1,
        ("first_period", "2019-11"): 1,
        ("last_period", "2020-01"): 2,
        ("unknown", "complaint"): 2,
        ("unknown", "setting"): 3,
        ("sex", "female"): 1,
        ("activity", "competitive_sport"): 1,
        ("references", "mri"): 3,
        ("references_unused", "ct"): 1,
        ("references_without_exam", "all"): 1,
    }
    assert {key: found.get(key) for key in expected} == expected
    assert summary.filter(pl.col("flag") == "unknown_kept")["group"].to_list() == [
        *("complaint", "setting", "prior_surgery", "reference_known")
    ]


def test_a_resident_who_became_a_fellow_is_one_learner() -> None:
    records = Records().exam("EX1", "PT1", examiner_role="resident").exam("EX2", "PT2", examiner_role="fellow")
    with cohort_of(records) as cohort:
        summary = cohort.summary().filter(pl.col("item").is_in(["learners", "examiners_by_role"]))
    found = {(item, group): value for item, group, value in summary.select("item", "group", "value").iter_rows()}
    both = {("examiners_by_role", "resident"): 1, ("examiners_by_role", "fellow"): 1}
    assert found == {("learners", "all"): 1, **both}


def test_merged_levels_are_one_group_of_every_tally() -> None:
    """Two exams of a fellow and one of an attending; the fellow counts with residents."""
    records = _verified(("PT1", "left", "tp"), ("PT2", "left", "fp"), ("PT3", "left", "fp"))
    with cohort_of(records, comparisons={"groups": {"role": [["attending", "resident+fellow"]]}}) as cohort:
        rows = cohort.tallies().filter(group_by="role", maneuver="drawer", condition="ligament")
        clusters = cohort.role_clusters()
    counted = {row["group"]: (row["tp"], row["fp"]) for row in rows.iter_rows(named=True)}
    assert {group: cells for group, cells in counted.items() if any(cells)} == {
        "attending": (1, 0),
        "resident+fellow": (0, 2),
    }
    assert "fellow" not in {*rows["group"], *clusters["group"]}
