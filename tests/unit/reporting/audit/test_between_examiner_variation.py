"""Raw and pooled figures, and where a new examiner would be expected, as a reader gets them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from markdown_text import unescaped

from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.between_examiner_variation import (
    CORRECTED,
    Side,
    variation_bullets,
    variation_of,
    variations,
)
from examtally.reporting.audit.examiners import one_by_one, section
from examtally.reporting.audit.shrinkage import Shrunk
from examtally.reporting.engine.estimate import Estimate
from examtally.results import Results
from examtally.results.results import split_persons

SEEN = Estimate("sensitivity", 0.8, 0.7, 0.9, 80, 100, 100, shown=True, note="")
ROW = {
    "measure": "sensitivity",
    "mean": 0.75,
    "ci_low": 0.7,
    "ci_high": 0.8,
    "predict_low": 0.58,
    "predict_high": 0.89,
    "adjustment": CORRECTED,
    "examiners": 12,
    "between_sd": 0.5,
    "sd_low": 0.001,
}


def changed(audit: Audit, **tables: pl.DataFrame) -> Audit:
    return replace(audit, results=Results({**audit.results.tables, **tables}, audit.results.provenance))


def pooled(value: float | None, participants: int) -> Estimate:
    return Estimate("sensitivity", value, 0.6, 0.9, 1, participants, participants, shown=value is not None, note="")


def test_a_new_examiner_is_foretold_in_a_sentence_with_the_ranges_of_the_table(clinic: Audit) -> None:
    found = variation_of(clinic, clinic.reportable[0], clinic.core_maneuvers(clinic.reportable[0])[0])
    assert found is not None
    rows = clinic.table("examiner_spread").filter(
        condition=found.condition.code, maneuver=found.maneuver.code, between="examiners", adjustment=CORRECTED
    )
    for row in rows.iter_rows(named=True):
        low, high = round(row["predict_low"] * 100), round(row["predict_high"] * 100)
        assert f"a {row['measure']} between {low}% and {high}% (group {round(row['mean'] * 100)}%)" in found.sentence
    assert "a new examiner from this group would be expected to have" in found.sentence


def test_two_in_three_lie_within_one_standard_deviation_of_the_logits() -> None:
    typical = Side.of(ROW, SEEN).typical
    assert typical is not None
    # logit(0.75) = 1.0986; expit(1.0986 -+ 0.5) = 0.6454, 0.8318
    assert typical == pytest.approx((0.6454, 0.8318), abs=1e-4)


@pytest.mark.parametrize(("sd_low", "differs"), [(0.001, False), (0.049, False), (0.05, True), (0.3, True)])
def test_examiners_are_said_to_differ_only_where_the_data_rule_out_that_they_are_alike(
    sd_low: float, differs: bool
) -> None:
    assert Side.of({**ROW, "sd_low": sd_low}, SEEN).differs is differs


def test_that_all_are_alike_is_said_of_the_maneuvers_it_fits(clinic: Audit) -> None:
    found = variations(clinic)
    apart = [item for item in found if not item.may_be_alike]
    assert ("That all examiners are equally good fits these data as well" in variation_bullets(found)) == (
        len(apart) < len(found)
    )
    wide = replace(found[0], sides=tuple(replace(side, sd_low=0.4) for side in found[0].sides))
    assert "The examiners do differ in sensitivity and specificity." in wide.sentence
    assert "equally good" not in variation_bullets([wide])


def test_without_a_spread_nothing_is_foretold_and_few_examiners_are_named(clinic: Audit) -> None:
    found = variations(clinic)[0]
    silent = replace(found, sides=tuple(replace(s, new=None, sd=None, sd_low=None, number=3) for s in found.sides))
    assert "cannot be foretold" in silent.sentence
    assert "With 3 examiners the range rests much on what was assumed beforehand." in silent.sentence
    assert not silent.may_be_alike


def test_figures_from_verified_knees_only_say_so(clinic: Audit) -> None:
    only = clinic.table("examiner_spread").filter(pl.col("adjustment") == "pooled")
    found = variations(changed(clinic, examiner_spread=only))
    assert found
    assert all(item.sentence.endswith("From verified «nouns» only.") for item in found)


def test_a_pooled_figure_under_three_people_is_not_shown_and_under_ten_is_called_the_groups() -> None:
    raw = replace(SEEN, n=9)
    assert Shrunk(raw, pooled(0.7, 2)).cell == "too few"
    assert Shrunk(raw, pooled(0.7, 3)).cell == "70%\nmostly the group's"
    assert "mostly the group's figure" in Shrunk(raw, pooled(0.7, 9)).spoken
    assert Shrunk(raw, pooled(0.7, 10)).cell == "70%\n60–90%"
    assert Shrunk(replace(raw, n=0), pooled(None, 0)).cell == "–"


def test_rows_stand_by_drawn_code_and_hold_each_ones_own_figures(
    clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    text = one_by_one(clinic)
    first = text.split("by examiner</span>")[1].split("</table>")[0]
    rows = re.findall(r'<tr><th scope="row">(\w+)</th>(.*?)</tr>', first)
    assert [code for code, _ in rows] == sorted(clinic.codes.values())
    back = {code: examiner for examiner, code in clinic.codes.items()}
    condition = clinic.reportable[0]
    maneuver = clinic.core_maneuvers(condition)[0]
    for code, cells in rows:
        for measure in ("sensitivity", "specificity"):
            place = condition.code, maneuver.code, measure, "examiner", back[code]
            own, drawn = clinic.estimate(*place), clinic.pooled(CORRECTED, *place)
            if own.n:
                assert f"<small>{own.counts}</small>" in cells
            if drawn.participants >= 10:
                assert f"{drawn.number}<br /><small>{drawn.limits}</small>" in cells
    assert "Not a ranking." in unescaped(text)


def test_without_persons_the_spread_is_told_and_no_code_is_drawn(
    clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    nobody = {name: split_persons(frame)[0] for name, frame in clinic.results.tables.items()}
    text = section(changed(clinic, **nobody))
    assert "a new examiner from this group would be expected to have" in text
    assert "No row here is of one person." in text
    assert {path.name.split("-")[0] for path in (tmp_path / "fig").iterdir()} == {"spread", "sites"}


def test_sites_are_told_apart_and_those_with_few_examiners_left_out(
    clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert "a new site from this group would be expected" in section(clinic)
    summary = clinic.table("cohort_summary")
    few = pl.when(pl.col("item") == "examiners_by_site", pl.col("group") == "S1").then(2).otherwise(pl.col("value"))
    text = section(
        changed(clinic, cohort_summary=summary.with_columns(few.cast(summary["value"].dtype).alias("value")))
    )
    part = text.split("### Sites")[1]
    assert "Sites with fewer than 3 examiners (1) are left out below." in part
    assert '<th scope="row">S2</th>' in part
    assert '<th scope="row">S1</th>' not in part


def test_one_examiner_has_own_figures_and_no_pooled_ones(
    clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    alone = {
        name: frame.filter(~pl.col("group_by").is_in(["examiner", "site"]) | (pl.col("group") == "EX-01"))
        for name in ("tallies", "accuracy")
        for frame in (clinic.table(name),)
    }
    unpooled = alone["accuracy"].filter(~pl.col("adjustment").str.starts_with("pooled"))
    variation = clinic.table("examiner_spread").clear()
    audit = changed(clinic, tallies=alone["tallies"], accuracy=unpooled, examiner_spread=variation)
    assert "it takes three" in section(audit)
    text = one_by_one(audit)
    assert "verified «nouns» only" in text
    assert ">pooled<" not in text
    assert "new examiner" not in text


def test_without_figures_the_section_is_a_line(clinic: Audit) -> None:
    nothing = clinic.table("accuracy").clear()
    text = one_by_one(changed(clinic, accuracy=nothing, examiner_spread=clinic.table("examiner_spread").clear()))
    assert text == "No core condition has figures to show yet."
