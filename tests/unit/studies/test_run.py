"""A run gives what is declared and no more, with the figures that plain counting gives."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest

from examtally.analytics import sample_size as planning
from examtally.analytics.comparison.rows import holm
from examtally.errors import ResultsError
from examtally.registry import open_registry
from examtally.studies import StudyResults, run

PAIRED: dict[str, Any] = {
    "study": "paired",
    "title": "Two tests",
    "tests": {
        "classic": {"rule": {"maneuver": "lachman"}},
        "drop": {"rule": {"maneuver": "drop_leg_lachman"}},
        "lever": {"rule": {"maneuver": "lever_sign"}},
    },
    "target": {"condition": "acl_tear"},
    "primary": [
        {"name": "drop_or_classic", "kind": "paired", "tests": ["drop", "classic"]},
        {"name": "by_role", "kind": "by_group", "tests": ["classic"], "group_by": "role", "measures": ["sensitivity"]},
    ],
    "secondary": [{"name": "lever_alone", "kind": "paired", "tests": ["classic", "lever"], "group_by": "role"}],
    "subgroups": ["thigh_band"],
    "missing": {"findings": "excluded", "references": "excluded"},
    "adjustments": ["none"],
    "planned_size": {"aim": "paired", "knees": 400, "sensitivity": 0.8, "difference": 0.1, "discordant": 0.2},
}


@pytest.fixture(scope="module")
def made(kept_clinic: Path) -> StudyResults:
    return run(PAIRED, kept_clinic)


def test_a_paired_study_describes_those_with_both_tests(made: StudyResults) -> None:
    tables, done = made.results.tables, ["positive", "negative", "equivocal"]
    both = tables["study_pairs"].filter(
        pl.col("result_a").is_in(done), pl.col("result_b").is_in(done), test_a="classic", test_b="drop"
    )
    people = tables["study_participants"]
    (whole,) = people.filter(group_by="overall").iter_rows(named=True)
    assert whole["knees"] == both["knees"].sum() > 0
    for status, column in (("present", "present"), ("absent", "absent"), ("unsettled", "unsettled")):
        assert whole[column] == both.filter(condition_status=status)["knees"].sum()
    by_sex = people.filter(group_by="sex")
    assert by_sex.select("knees", "present", "absent", "unsettled").sum().row(0) == tuple(
        whole[name] for name in ("knees", "present", "absent", "unsettled")
    )


def test_only_what_is_declared_is_there(made: StudyResults) -> None:
    tables = made.results.tables
    assert set(tables) == {
        *("cohort_summary", "flow", "tallies", "accuracy", "comparisons", "interactions"),
        *("study_analyses", "study_arms", "study_description", "study_pairs", "study_participants"),
        *("study_population", "study_size"),
        *("study_group_comparisons", "study_case_mix"),
    }
    accuracy = made.results.accuracy
    assert set(accuracy["maneuver"]) == {"classic", "drop", "lever"}
    assert set(accuracy["measure"]) == {"sensitivity", "specificity"}
    assert set(accuracy["group_by"]) == {"overall", "role", "thigh_band"}
    assert set(accuracy["adjustment"]) == {"none"}
    pairs = set(made.results.comparisons.select("maneuver_a", "maneuver_b").iter_rows())
    assert pairs == {("classic", "drop"), ("classic", "lever")}
    assert not made.results.has_examiners


def test_the_plan_is_held_against_what_was_there(made: StudyResults) -> None:
    held = {row["quantity"]: row for row in made.results.study_size.iter_rows(named=True)}
    (row,) = made.results.comparisons.filter(
        maneuver_b="drop", measure="sensitivity", contrast="difference", group_by="overall", adjustment="none"
    ).iter_rows(named=True)
    assert held["examined"]["planned"] == 400
    assert (held["in_analysis"]["planned"], held["in_analysis"]["reached"]) == (155, row["n"])
    assert (held["difference"]["planned"], held["difference"]["reached"]) == (0.1, row["difference"])
    assert (held["expected"]["planned"], held["expected"]["reached"]) == (0.8, row["estimate_a"])
    assert held["power"]["planned"] == 0.8
    assert held["power"]["reached"] == pytest.approx(planning.paired_power(row["n"], 0.1, 0.2))


def test_groups_of_examiners_are_compared_in_several_ways(made: StudyResults) -> None:
    ways = {row["method"]: row for row in made.results.study_group_comparisons.iter_rows(named=True)}
    assert set(ways) == {"examiner_clusters", "permutation", "case_mix"}
    (row,) = made.results.interactions.filter(
        maneuver="classic", measure="sensitivity", group_by="role", adjustment="none"
    ).iter_rows(named=True)
    for name in ("estimate_a", "estimate_b", "difference", "ci_low", "ci_high", "p_value", "n_a", "n_b"):
        assert ways["examiner_clusters"][name] == row[name]
    assert [name for name, way in ways.items() if way["leads"]] == ["examiner_clusters"]
    assert (ways["permutation"]["least_p_value"], ways["permutation"]["ci_low"]) == (2 / 6, None)
    assert "no difference can be excluded" in ways["permutation"]["note"]
    mix = made.results.study_case_mix.filter(variable="severity")
    assert mix["share_a"].sum() == pytest.approx(1.0)
    assert set(made.results.study_case_mix["measure"]) == {"sensitivity"}


def test_rows_about_persons_only_where_the_protocol_asks(kept_clinic: Path) -> None:
    asked = {
        **PAIRED,
        "persons": True,
        "primary": [{"name": "main", "kind": "accuracy", "tests": ["lever"]}],
        "secondary": [],
        "subgroups": [],
    }
    assert run(asked, kept_clinic).results.has_examiners
    assert not run({**asked, "persons": False}, kept_clinic).results.has_examiners


def _by_hand(registry: Path) -> pl.DataFrame:
    """Verified index exams of mature periods with both tests clear: thigh, status, and what each test found."""
    with open_registry(registry) as opened:
        frame: pl.DataFrame = opened.con.sql(
            """
            select thigh_cm, status = 'present' as present, a.result = 'positive' as a, b.result = 'positive' as b
            from reg.exams e join reg."references" r using (participant_id)
                join reg.findings a on a.exam_id = e.exam_id and a.maneuver = 'lachman'
                join reg.findings b on b.exam_id = e.exam_id and b.maneuver = 'drop_leg_lachman'
            where examiner_order = 1 and period < 'P007' and r.condition = 'acl_tear'
                and a.result in ('positive', 'negative') and b.result in ('positive', 'negative')
            """
        ).pl()
        return frame


def test_paired_sensitivity_in_every_group_is_that_of_plain_counting(made: StudyResults, kept_clinic: Path) -> None:
    knees = _by_hand(kept_clinic).filter("present")
    bands = {"under_45": knees["thigh_cm"] < 45, "55_over": knees["thigh_cm"] >= 55, "all": knees["thigh_cm"] > 0}
    rows = made.results.comparisons.filter(maneuver_b="drop", measure="sensitivity", contrast="difference")
    for group, inside in bands.items():
        (row,) = rows.filter(group=group).to_dicts()
        own = knees.filter(inside)
        assert (row["n"], row["only_a"], row["only_b"]) == (
            own.height,
            own.filter(pl.col("a") & ~pl.col("b")).height,
            own.filter(~pl.col("a") & pl.col("b")).height,
        )
        assert row["difference"] == pytest.approx(own["a"].mean() - own["b"].mean())


def test_the_difference_of_two_differences(made: StudyResults) -> None:
    rows = made.results.comparisons.filter(maneuver_b="drop", measure="sensitivity", contrast="difference")
    inside = {row["group"]: row["difference"] for row in rows.to_dicts()}
    (row,) = made.results.interactions.filter(maneuver="classic minus drop", measure="sensitivity").to_dicts()
    assert (row["group_a"], row["group_b"]) == ("under_45", "55_over")
    assert row["difference"] == pytest.approx(inside["under_45"] - inside["55_over"])
    assert row["ci_low"] < row["difference"] < row["ci_high"]


def test_two_tests_by_role_have_examiners_as_clusters(made: StudyResults) -> None:
    (row,) = made.results.interactions.filter(maneuver="classic minus lever", measure="specificity").to_dicts()
    assert row["test"] == "examiner_clusters"
    groups = made.results.comparisons.filter(group_by="role", measure="specificity", contrast="difference")
    groups = groups.filter(maneuver_b="lever")
    known = {one["group"]: one for one in groups.to_dicts()}
    sides = [known[row[key]] for key in ("group_a", "group_b")]
    assert row["difference"] == pytest.approx(sides[0]["difference"] - sides[1]["difference"])
    independent = sum(((one["only_a"] + one["only_b"]) / one["n"] - one["difference"] ** 2) / one["n"] for one in sides)
    assert row["ci_high"] - row["ci_low"] > 2 * 1.96 * independent**0.5
    assert row["note"].startswith("Difference of the two differences")


def test_the_family_is_that_of_the_protocol(made: StudyResults, kept_clinic: Path) -> None:
    def tests_of(results: StudyResults) -> pl.DataFrame:
        columns = ("p_value", "p_adjusted", "measure")
        pairs = results.results.comparisons.filter(
            pl.col("contrast") == "difference", pl.col("group_by") == "overall"
        ).select(*columns, name="maneuver_b")
        return pl.concat(
            [
                pairs,
                results.results.interactions.filter(group_by="role", maneuver="classic").select(
                    *columns, name="group_by"
                ),
            ]
        )

    primary = tests_of(made)
    family = primary.filter(pl.col("name") != "lever")
    assert family["p_adjusted"].to_list() == pytest.approx(
        holm(family["p_value"].fill_null(float("nan"))).tolist(), nan_ok=True
    )
    assert primary.filter(name="lever")["p_adjusted"].to_list() == [None, None]
    alone = tests_of(run({**PAIRED, "family": "none"}, kept_clinic))
    assert alone["p_adjusted"].null_count() == alone.height


def test_tests_named_in_either_order_are_the_same_comparison(made: StudyResults, kept_clinic: Path) -> None:
    turned = [{**PAIRED["primary"][0], "tests": ["classic", "drop"]}, PAIRED["primary"][1]]
    assert run({**PAIRED, "primary": turned}, kept_clinic).results.comparisons.equals(made.results.comparisons)


def test_sensitivity_of_two_severities_is_that_of_graded_knees_and_of_the_same_draws(kept_clinic: Path) -> None:
    asked = {"tests": ["classic"], "measures": ["sensitivity"], "group_by": "severity"}
    primary = [{"name": "graded", "kind": "by_group", **asked}, {"name": "each", "kind": "accuracy", **asked}]
    study = {**PAIRED, "primary": primary, "secondary": [], "subgroups": [], "adjustments": ["none", "bias_adjusted"]}
    found = run(study, kept_clinic).results
    with open_registry(kept_clinic) as opened:
        counts = opened.con.sql(
            """
            select severity, count(*), count(*) filter (result = 'positive')
            from reg.exams e join reg."references" r using (participant_id) join reg.findings f using (exam_id)
            where examiner_order = 1 and period < 'P007' and condition = 'acl_tear' and status = 'present'
                and maneuver = 'lachman' and result in ('positive', 'negative')
            group by severity
            """
        ).fetchall()
    n, positive = ({row[0]: row[place] for row in counts} for place in (1, 2))
    rows = {row["adjustment"]: row for row in found.interactions.to_dicts()}
    seen = rows["none"]
    assert {row["measure"] for row in rows.values()} == {"sensitivity"}
    assert (seen["group_a"], seen["group_b"], seen["n_a"], seen["n_b"]) == (
        *("partial", "complete"),
        *(n["partial"], n["complete"]),
    )
    shares = [positive[degree] / n[degree] for degree in ("partial", "complete")]
    assert seen["difference"] == pytest.approx(shares[0] - shares[1])
    assert (rows["bias_adjusted"]["difference"], rows["bias_adjusted"]["flag"]) == (None, "withheld")
    single = {row["group"]: row for row in found.accuracy.filter(group_by="severity").to_dicts()}
    assert rows["bias_adjusted"]["note"] in {row["note"] for row in single.values()}


def test_the_primary_result_is_one_table_whatever_the_design(made: StudyResults) -> None:
    rows = made.primary
    assert set(rows["adjustment"]) == {"none"}
    assert rows["is_main"].all()  # the study declares no correction
    compared = made.results.comparisons.filter(group_by="overall", contrast="difference")
    wanted = {
        (f"{a} minus {b}", measure)
        for a, b, measure in compared.select("maneuver_a", "maneuver_b", "measure").iter_rows()
    }
    paired = rows.filter(~pl.col("of").str.contains(":"))
    assert set(paired.select("of", "measure").iter_rows()) <= wanted
    assert "classic: resident minus attending" in set(rows["of"])
    first = paired.row(0, named=True)
    test_a, test_b = first["of"].split(" minus ")
    same = compared.filter(maneuver_a=test_a, maneuver_b=test_b, measure=first["measure"]).row(0, named=True)
    assert (first["estimate"], first["ci_low"], first["n"]) == (same["difference"], same["ci_low"], same["n"])


def test_a_difference_is_drawn_with_what_the_table_holds(made: StudyResults) -> None:
    axes = made.plot.difference("specificity")
    names = [name.get_text() for name in axes.get_yticklabels()]
    shown = made.results.comparisons.filter(group_by="overall", contrast="difference", measure="specificity").height
    assert len(names) == shown + made.results.interactions.filter(measure="specificity").height
    drawn = {round(float(line.get_xdata()[0]), 6) for line in axes.lines if len(line.get_xdata()) == 1}
    row = made.results.comparisons.filter(group_by="overall", contrast="difference", measure="specificity").row(
        0, named=True
    )
    assert round(100 * row["difference"], 6) in drawn
    with pytest.raises(ResultsError, match="no difference of ppv"):
        made.plot.difference("ppv")


def test_both_tests_together_count_every_index_exam_once(made: StudyResults) -> None:
    pairs = made.results.study_pairs
    flow = made.results.tallies.filter(maneuver="classic", group_by="overall").row(0, named=True)
    by_pair = pairs.group_by("test_a", "test_b").agg(pl.col("knees").sum())
    assert set(by_pair["knees"]) == {flow["exams"] + flow["not_recorded"]}
    both = pairs.filter(test_b="drop", condition_status="present", result_a="positive", result_b="negative")
    row = made.results.comparisons.filter(
        maneuver_b="drop", group_by="overall", measure="sensitivity", contrast="difference"
    ).row(0, named=True)
    assert both["knees"].sum() == row["only_a"]
