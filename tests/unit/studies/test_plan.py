"""The plan rests on the registry's rates, and is blind to what the tests found in knees whose answer is known."""

from __future__ import annotations

import errno
import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom

from examtally.analytics import sample_size as planning
from examtally.contracts.study.study import load_study
from examtally.errors import StudyError
from examtally.registry import open_registry
from examtally.studies import plan as plan_module
from examtally.studies.plan import Plan, paragraph, write_plan
from examtally.studies.planning import _Planner, plan, readiness
from examtally.studies.rates import read_rates

STUDY: dict[str, Any] = {
    "study": "planned",
    "title": "Lever sign",
    "tests": {"lever": {"rule": {"maneuver": "lever_sign"}}, "classic": {"rule": {"maneuver": "lachman"}}},
    "target": {"condition": "acl_tear"},
    "primary": [{"name": "main", "kind": "accuracy", "tests": ["lever"]}],
}
AIMS: dict[str, dict[str, Any]] = {
    "half_width": {"sensitivity": 0.9, "specificity": 0.85, "half_width": 0.1},
    "lower_limit": {"sensitivity": 0.9, "lower_limit": 0.75},
    "paired": {"sensitivity": 0.8, "difference": 0.1, "discordant": 0.2},
    "unpaired": {"sensitivity": 0.85, "difference": 0.15},
    "kappa_half_width": {"kappa": 0.5, "positive_share": 0.4, "half_width": 0.1},
}


def _plan(clinic: Path, aim: str, **change: Any) -> Plan:
    primary = (
        {"name": "main", "kind": "paired", "tests": ["lever", "classic"]} if aim == "paired" else STUDY["primary"][0]
    )
    with open_registry(clinic) as opened:
        return plan(
            load_study({**STUDY, "primary": [primary], "planned_size": {"aim": aim, **AIMS[aim]}, **change}), opened
        )


@pytest.mark.parametrize("aim", AIMS)
def test_rates_are_counted_by_hand_and_the_result_under_study_does_not_matter(aim: str, clinic: Path) -> None:
    before = _plan(clinic, aim)
    with open_registry(clinic, read_only=False) as opened:
        opened.con.execute(
            "update reg.findings set result = case result when 'positive' then 'negative' else 'positive' end, "
            "grade = null where result in ('positive', 'negative') and maneuver in ('lever_sign', 'lachman')"
        )
    after = _plan(clinic, aim)
    assert after.rates == before.rates
    assert (after.knees, after.periods, after.curve.to_dicts()) == (
        before.knees,
        before.periods,
        before.curve.to_dicts(),
    )


def test_rates_against_plain_counting(kept_clinic: Path) -> None:
    with open_registry(kept_clinic) as opened:
        rates = read_rates(opened, load_study(STUDY), ("lever",))
        first = "(select * from reg.exams where examiner_order = 1)"
        mature = f"(select * from {first} where period < 'P007')"  # the window of 180 days is six periods of twelve
        join = "join reg.\"references\" r on r.participant_id = e.participant_id and condition = 'acl_tear'"
        counted = [
            opened.con.execute(query).fetchone()[0]  # type: ignore[index]  # one row each
            for query in (
                f"select count(*) from {first}",
                f"select count(*) from {mature}",
                f"select count(*) from {mature} e {join}",
                f"select count(*) from {mature} e {join} where r.status = 'present'",
                f"select count(*) from {mature} e join reg.findings using (exam_id) where maneuver = 'lever_sign' "
                "and result in ('positive', 'negative')",
            )
        ]
    assert [rates.eligible, rates.mature, rates.verified, rates.present, rates.clear] == counted
    assert (rates.periods, rates.all_periods) == (11, 12)
    assert rates.a_period == 7.0 or rates.a_period == 8.0


def test_the_plan_is_what_its_parts_say(clinic: Path) -> None:
    made = _plan(clinic, "lower_limit")
    rates = made.rates
    needed = planning.lower_limit(0.9, 0.75, 0.025, 0.8).stable
    shares = rates.verified / rates.mature * rates.clear / rates.recorded * rates.present / rates.verified
    knees = math.ceil(needed / shares)
    assert (made.needed, made.knees) == (needed, knees)
    assert made.periods == math.ceil(knees / rates.a_period)
    assert made.reached >= 0.8


def test_pairs_come_at_the_pace_of_the_whole_registry(clinic: Path) -> None:
    made = _plan(clinic, "kappa_half_width")
    assert made.periods == math.ceil(made.needed / (made.rates.pairs / 12))


def test_the_paragraph_speaks_of_size_pace_and_time(clinic: Path) -> None:
    made = _plan(clinic, "half_width")
    said = paragraph(made)
    assert f"At {made.rates.a_period:,.0f} eligible knees a period you need {made.periods:,} periods." in said
    assert "Buderer" in said
    assert "without looking at the accuracy" in said


def test_the_folder_of_a_plan(clinic: Path, tmp_path: Path) -> None:
    made = _plan(clinic, "paired")
    files = {path.name: path.read_bytes() for path in write_plan(made, tmp_path / "plan")}
    again = {path.name: path.read_bytes() for path in write_plan(made, tmp_path / "plan")}
    assert files == again
    assert json.loads(files["plan.json"])["knees"] == made.knees
    assert b"<svg" in files["curve.svg"]
    (tmp_path / "plan" / "other.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match="holds other things"):
        write_plan(made, tmp_path / "plan")


def test_a_plan_is_written_whole_or_not_at_all(clinic: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(plan_module, "_draw", full)
    with pytest.raises(StudyError, match="the plan cannot be written: No space left"):
        write_plan(_plan(clinic, "paired"), tmp_path / "plan")
    assert list((tmp_path / "plan").iterdir()) == []


def test_what_is_missing_is_said(clinic: Path) -> None:
    with pytest.raises(StudyError, match="state the aim"):
        _plan(clinic, "paired", planned_size={})
    with pytest.raises(StudyError, match="the numbers it rests on"):
        _plan(clinic, "paired", planned_size={"aim": "paired"})
    with pytest.raises(StudyError, match="discordant cannot be below difference"):
        _plan(clinic, "paired", planned_size={"aim": "paired", **AIMS["paired"], "discordant": 0.05})


def test_a_population_nobody_belongs_to_gives_a_size_and_no_time(clinic: Path) -> None:
    made = _plan(clinic, "lower_limit", population=[{"column": "exams.setting", "is": "equals", "value": "sideline"}])
    assert made.knees is None
    assert made.needed > 0
    assert "holds no clear finding" in paragraph(made)


@pytest.mark.parametrize("aim", ["lower_limit", "paired", "unpaired"])
def test_a_plan_for_specificity_mirrors_that_for_sensitivity(aim: str, clinic: Path) -> None:
    """The same numbers ask for as many knees in the analysis, and for knees to examine by the other share."""
    one = _plan(clinic, aim)
    numbers = {"specificity" if name == "sensitivity" else name: value for name, value in AIMS[aim].items()}
    other = _plan(clinic, aim, planned_size={"aim": aim, "measure": "specificity", **numbers})
    assert (other.needed, other.reached) == (one.needed, one.reached)
    assert "knees without the condition" in other.needed_is
    assert "specificity" in paragraph(other)
    prevalence = one.rates.present / one.rates.verified
    assert other.knees is not None
    assert one.knees is not None
    assert other.knees * (1 - prevalence) == pytest.approx(one.knees * prevalence, abs=1)
    with pytest.raises(StudyError, match="planned_size: state the aim and the numbers"):
        _plan(clinic, aim, planned_size={"aim": aim, "measure": "specificity", **AIMS[aim]})


def test_few_examiners_cannot_be_planned_for_however_many_knees(kept_clinic: Path, tmp_path: Path) -> None:
    primary = {"name": "main", "kind": "by_group", "tests": ["lever"], "group_by": "role"}
    size = {"aim": "unpaired", "measure": "specificity", "specificity": 0.9}
    pairs = {"comparisons": {"groups": {"role": [["resident", "attending"]]}}}
    asked = {**STUDY, "primary": [primary], "analysis": pairs}
    with open_registry(kept_clinic) as opened:
        small, large = (
            plan(load_study(asked | {"planned_size": size | {"difference": one}}), opened) for one in (0.05, 0.4)
        )
    assert dict(small.rates.examiners) == {"resident": 2, "attending": 2}
    assert (small.knees, small.needed) == (None, None)
    assert "Not feasible here" in paragraph(small)
    assert f"{small.independent:,}" not in paragraph(small)
    assert small.reached < 0.8
    assert "with fewer than 5 examiners a group the difference is descriptive only" in paragraph(large)
    assert "eligible knees" not in paragraph(large)
    assert not large.is_feasible
    assert [one.split(":")[0] for one in large.warnings] == ["Not feasible here"]
    page = write_plan(large, tmp_path / "plan")[0].read_text(encoding="utf-8")
    assert page.rstrip().endswith("would make it so.")
    assert "curve.svg" not in page
    assert large.knees is not None
    assert large.needed > 2 * planning.unpaired(0.9, 0.5)


def test_records_at_hand_are_held_against_the_plan(kept_clinic: Path) -> None:
    size = {"aim": "lower_limit", **AIMS["lower_limit"], "knees": 5000}
    study = load_study({**STUDY, "planned_size": size})
    with open_registry(kept_clinic) as opened:
        made, warnings = plan(study, opened), readiness(study, opened)
        assert readiness(load_study(STUDY), opened) == ()
    assert made.warnings == warnings
    assert f"At hand: far too few yet, {made.rates.recorded} knees recorded with the tests of 5,000" in warnings[-1]
    assert made.reached_now is not None
    assert made.reached_now < made.reached
    few = replace(made, at_hand=7).warnings[-1]
    assert "fewer than 11 knees" in few
    assert "7 knees" not in few
    assert not any(one.startswith("At hand") for one in replace(made, at_hand=5000).warnings)


def test_years_stand_beside_months_and_what_would_make_it_feasible(kept_clinic: Path) -> None:
    with open_registry(kept_clinic) as opened:
        made = plan(load_study({**STUDY, "planned_size": {"aim": "half_width", **AIMS["half_width"]}}), opened)
    months = replace(made.rates, is_monthly=True, delay=6)
    slow = replace(made, periods=120, periods_as_now=120, rates=months, could_show="a half-width of 18%, so it is")
    assert "you need 120 months." in paragraph(slow)
    assert "within 6 more: results after 126 months (10.5 years)." in paragraph(slow)
    assert "Not feasible here within 3 years: 4.0 times the knees a month" in paragraph(slow)
    assert "or a half-width of 18%, so it is, would make it so." in paragraph(slow)
    assert "years" not in paragraph(replace(slow, periods=12, periods_as_now=12))
    assert "(2.5 years)" in paragraph(replace(slow, periods=24, periods_as_now=24))


def test_both_measures_are_planned_for_together(kept_clinic: Path) -> None:
    size = {"aim": "lower_limit", "measure": "both", "sensitivity": 0.9, "lower_limit": 0.75}
    size |= {"specificity": 0.9, "specificity_lower_limit": 0.8}
    with open_registry(kept_clinic) as opened:
        made = plan(load_study({**STUDY, "planned_size": size}), opened)
    assert made.needed is not None
    prevalence = made.rates.present / made.rates.verified
    each = [
        float(planning.limit_power(int(made.needed * share), 0.9, least, 0.025))
        for share, least in ((prevalence, 0.75), (1 - prevalence, 0.8))
    ]
    assert made.reached == pytest.approx(math.prod(each))
    assert made.reached >= 0.8
    alone = math.ceil(planning.lower_limit(0.9, 0.75, 0.025, 0.8).stable / prevalence)
    assert made.needed >= alone
    assert "sensitivity (90% expected) exceeds 75%" in paragraph(made)
    assert "specificity (90% expected) exceeds 80%, both together" in paragraph(made)


def test_groups_are_planned_as_unequal_as_the_registry_or_the_protocol_has_them(kept_clinic: Path) -> None:
    primary = {"name": "main", "kind": "by_group", "tests": ["lever"], "group_by": "sex"}
    size = {"aim": "unpaired", **AIMS["unpaired"]}
    with open_registry(kept_clinic) as opened:
        own, set_to = (
            plan(load_study({**STUDY, "primary": [primary], "planned_size": size | more}), opened)
            for more in ({}, {"allocation": 2.0})
        )
    first, second = own.rates.groups.values()
    assert tuple(own.groups.values()) == planning.unpaired_groups(0.85, 0.70, ratio=second / first)
    assert tuple(set_to.groups.values()) == planning.unpaired_groups(0.85, 0.70, ratio=2.0)
    assert own.needed == sum(own.groups.values())
    assert f"{own.groups['female']:,} (female)" in paragraph(own)


def test_degrees_of_the_condition_are_counted_among_those_who_have_it(kept_clinic: Path) -> None:
    primary = {"name": "main", "kind": "by_group", "tests": ["lever"], "group_by": "severity"}
    asked = {**STUDY, "primary": [primary | {"measures": ["sensitivity"]}]}
    with open_registry(kept_clinic) as opened:
        made = plan(load_study(asked | {"planned_size": {"aim": "unpaired", **AIMS["unpaired"]}}), opened)
    assert sum(made.rates.groups.values()) == made.rates.present
    assert made.needed is not None
    shares = made.rates.present / made.rates.mature * made.rates.clear / made.rates.recorded
    assert made.knees == math.ceil(made.needed / shares)


def test_nobody_with_the_condition_gives_a_size_and_no_time(kept_clinic: Path) -> None:
    primary = {"name": "main", "kind": "by_group", "tests": ["lever"], "group_by": "severity"}
    asked = {**STUDY, "primary": [primary | {"measures": ["sensitivity"]}]}
    asked |= {"population": [{"column": "exams.setting", "is": "equals", "value": "sideline"}]}
    with open_registry(kept_clinic) as opened:
        made = plan(load_study(asked | {"planned_size": {"aim": "unpaired", **AIMS["unpaired"]}}), opened)
    assert (made.knees, made.periods) == (None, None)
    assert made.needed == 2 * planning.unpaired(0.85, 0.70)


def test_the_window_of_the_last_exam_is_a_delay_and_no_loss(kept_clinic: Path) -> None:
    with open_registry(kept_clinic) as opened:
        made = plan(load_study({**STUDY, "planned_size": {"aim": "lower_limit", **AIMS["lower_limit"]}}), opened)
    assert made.rates.delay == 6  # 180 days
    assert made.periods is not None
    assert made.periods_in_all == made.periods + 6
    assert "within 6 more: results after" in paragraph(made)


def test_what_a_publication_leaves_open_lowers_the_chance(kept_clinic: Path) -> None:
    """Against plain draws from the same beliefs, seed 20261129."""
    size = {"aim": "lower_limit", **AIMS["lower_limit"]}
    with open_registry(kept_clinic) as opened:
        few, many = (
            plan(load_study({**STUDY, "planned_size": size | {"published": number}}), opened) for number in (40, 10**6)
        )
    assert few.assurance is not None
    assert many.assurance == pytest.approx(few.reached, abs=0.01)
    drawn = np.random.default_rng(20261129).beta(1 + 36, 1 + 4, 20_000)
    needed = binom.isf(0.025, few.needed, 0.75) + 1
    assert few.assurance == pytest.approx(binom.sf(needed - 1, few.needed, drawn).mean(), abs=0.01)
    assert f"with a chance of {few.assurance:.0%} (assurance" in paragraph(few)


@pytest.mark.parametrize("aim", ["half_width", "paired", "unpaired", "kappa_half_width"])
def test_every_aim_has_an_assurance(aim: str, kept_clinic: Path) -> None:
    known = {"published": 60, "specificity_published": 60}
    primary = {"name": "main", "kind": "paired", "tests": ["lever", "classic"]}
    study = {**STUDY, "primary": [primary], "planned_size": {"aim": aim, **AIMS[aim], **known}}
    with open_registry(kept_clinic) as opened:
        made = plan(load_study(study), opened)
    assert made.assurance is not None
    assert 0.1 < made.assurance < 0.9


def test_what_the_knees_of_three_years_are_enough_for(kept_clinic: Path) -> None:
    size = {"aim": "lower_limit", "sensitivity": 0.9, "lower_limit": 0.89}
    study = load_study({**STUDY, "planned_size": size})
    with open_registry(kept_clinic) as opened:
        rates = replace(read_rates(opened, study, ("lever",)), is_monthly=True)
    made = _Planner(study, ("lever",), rates).plan()
    assert made.is_too_long
    said = re.search(r"a lower limit of (\d+)%", made.could_show)
    assert said is not None
    knees = (36 - 6) * rates.a_period * rates.verified / rates.mature * rates.clear / rates.recorded
    there = int(knees * rates.present / rates.verified)
    assert planning.limit_power(there, 0.9, int(said[1]) / 100 - 0.01, 0.025) >= 0.8
    assert planning.limit_power(there, 0.9, int(said[1]) / 100 + 0.01, 0.025) < 0.8


def test_a_plan_that_misses_by_a_hair_is_not_offered_its_own_aim(kept_clinic: Path) -> None:
    study = load_study({**STUDY, "planned_size": {"aim": "lower_limit", "sensitivity": 0.9, "lower_limit": 0.85}})
    with open_registry(kept_clinic) as opened:
        rates = replace(read_rates(opened, study, ("lever",)), is_monthly=True)
    need = _Planner(study, ("lever",), rates).plan().knees
    assert need is not None
    made = _Planner(study, ("lever",), replace(rates, a_period=need / (36 - 6) * 0.99)).plan()
    assert made.is_too_long
    assert made.could_show == ""
