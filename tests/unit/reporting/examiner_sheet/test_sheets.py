"""The examiner's sheet: own figures, the others together, chance in words, what to practice; nobody else on it."""

from __future__ import annotations

import re
import stat
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest
from scipy.stats import betabinom

from examtally.cli.app import main
from examtally.contracts.protocol.protocol import load_protocol
from examtally.processes import processes
from examtally.reporting.audit.audit import Audit
from examtally.reporting.examiner_sheet import making
from examtally.reporting.examiner_sheet.practise import MOST, NOTHING, advice, practise
from examtally.reporting.examiner_sheet.sheet import FEWEST_OTHERS, Sheet, examiners_in
from examtally.results import Results


def with_rows(audit: Audit, table: str, rows: list[dict[str, Any]]) -> Audit:
    """The audit with other rows in one table."""
    schema = audit.table(table).schema
    frame = pl.DataFrame(
        [{"status": "exploratory", "flag": None, "note": None} | row for row in rows], schema=dict(schema), strict=False
    )
    results = Results({**audit.results.tables, table: frame}, audit.results.provenance)
    return Audit(results, audit.contract, audit.protocol, audit.wording)


def below(examiner: str, maneuver: str, condition: str, probability: float) -> dict[str, Any]:
    return {
        **{"condition": condition, "maneuver": maneuver, "examiner_id": examiner, "measure": "specificity"},
        **{"margin": 0.1, "probability_below": probability, "n": 40},
    }


@pytest.fixture
def sheet(clinic: Audit) -> Sheet:
    return Sheet(clinic, examiners_in(clinic.table("tallies"))[0])


def test_own_figures_are_those_of_the_tallies(sheet: Sheet) -> None:
    own = {(item.condition.code, item.maneuver.code, item.measure): item for item in sheet.own}
    row = sheet.audit.tally("acl_tear", "lachman", "examiner", sheet.examiner)
    raw = own["acl_tear", "lachman", "sensitivity"].shrunk.raw
    assert (raw.events, raw.n) == (row["tp"], row["tp"] + row["fn"])
    assert all(item.maneuver.code in sheet.audit.protocol.core for item in sheet.own)


def test_the_others_are_everybody_else_together(sheet: Sheet) -> None:
    rows = sheet.audit.table("tallies").filter(
        pl.col("group") != sheet.examiner, group_by="examiner", condition="acl_tear", maneuver="lachman"
    )
    (own,) = [i for i in sheet.own if (i.maneuver.code, i.measure) == ("lachman", "specificity")]
    assert own.others is not None
    assert (own.others.events, own.others.n) == (rows["tn"].sum(), (rows["tn"] + rows["fp"]).sum())
    coming = betabinom(own.shrunk.raw.n, own.others.events + 0.5, own.others.n - own.others.events + 0.5)
    assert own.chance == pytest.approx(tuple(coming.ppf([0.025, 0.975]) / own.shrunk.raw.n))


def test_others_who_were_always_right_do_not_make_a_miss_impossible(sheet: Sheet) -> None:
    own = max((item for item in sheet.own if item.others is not None), key=lambda item: item.shrunk.raw.n)
    assert own.others is not None
    perfect = replace(own, others=replace(own.others, value=1.0, events=20, n=20))
    low, high = perfect.chance or (1.0, 0.0)
    assert low < high == 1.0


def test_few_others_are_not_shown(clinic: Audit) -> None:
    everybody = examiners_in(clinic.table("tallies"))
    kept = clinic.table("tallies").filter(
        (pl.col("group_by") != "examiner") | pl.col("group").is_in(everybody[:FEWEST_OTHERS])
    )
    few = Audit(
        Results({**clinic.results.tables, "tallies": kept}, clinic.results.provenance),
        clinic.contract, clinic.protocol, clinic.wording,
    )  # fmt: skip
    assert all(own.others is None for own in Sheet(few, everybody[0]).own)


def test_nothing_stands_out_where_nothing_is_probable(clinic: Audit, sheet: Sheet) -> None:
    calm = with_rows(clinic, "examiner_probability", [below(sheet.examiner, "lachman", "acl_tear", 0.79)])
    calm = with_rows(calm, "agreement", [])
    assert practise(Sheet(calm, sheet.examiner)) == NOTHING


def pooled(audit: Audit, examiner: str, people: int) -> Audit:
    """The audit with pooled figures of this examiner, so many people behind each."""
    accuracy = audit.table("accuracy")
    own = accuracy.filter(group_by="examiner", group=examiner, adjustment="none").with_columns(
        adjustment=pl.lit("pooled_bias_adjusted"), estimate=pl.lit(0.5), display=pl.lit("estimate"),
        participants=pl.lit(people, pl.Int64),
    )  # fmt: skip
    results = Results({**audit.results.tables, "accuracy": pl.concat([accuracy, own])}, audit.results.provenance)
    return Audit(results, audit.contract, audit.protocol, audit.wording)


def agreed(examiner: str, maneuver: str, high: float, people: int = 30) -> dict[str, Any]:
    return {
        **{"maneuver": maneuver, "group_by": "examiner_supervisor", "group": examiner, "pairs": people},
        **{"statistic": "observed_agreement", "estimate": high - 0.1, "ci_low": high - 0.2, "ci_high": high},
        **{"participants": people, "pairs_unknown": 0},
    }


SOME = 4
PROBABLE = [
    ("lachman", "acl_tear", 0.81),
    ("valgus_stress_30", "mcl_injury", 0.95),
    ("medial_joint_line_tenderness", "medial_meniscus_tear", 0.9),
    ("lateral_joint_line_tenderness", "lateral_meniscus_tear", 0.85),
]


def test_what_is_probable_is_practised_strongest_first_with_its_technique(clinic: Audit, sheet: Sheet) -> None:
    rows = [below(sheet.examiner, *pair) for pair in PROBABLE]
    rows.append(below("somebody-else", "visible_swelling", "knee_effusion", 0.99))
    loud = pooled(with_rows(with_rows(clinic, "examiner_probability", rows), "agreement", []), sheet.examiner, 40)
    items = advice(Sheet(loud, sheet.examiner))
    assert [item.maneuver.code for item in items] == [
        "valgus_stress_30", "medial_joint_line_tenderness", "lateral_joint_line_tenderness",
    ]  # fmt: skip
    assert len(items) == MOST
    assert items[0].maneuver.technique in practise(Sheet(loud, sheet.examiner))


def test_nothing_is_advised_on_fewer_than_ten_people(clinic: Audit, sheet: Sheet) -> None:
    rows = [below(sheet.examiner, *pair) for pair in PROBABLE]
    few = pooled(with_rows(with_rows(clinic, "examiner_probability", rows), "agreement", []), sheet.examiner, 9)
    assert practise(Sheet(few, sheet.examiner)) == NOTHING


@pytest.mark.parametrize(("everybody", "is_shared"), [(0.69, True), (0.71, False)])
def test_what_the_whole_group_finds_hard_is_no_matter_of_one(clinic: Audit, everybody: float, is_shared: bool) -> None:
    own = agreed("EX-01", "lachman", 0.7)
    group = own | {"group_by": "learner_supervisor", "group": "all", "estimate": everybody}
    made = with_rows(with_rows(clinic, "examiner_probability", []), "agreement", [own, group])
    (one,) = advice(Sheet(made, "EX-01"))
    assert ("as the whole group does (69%)" in one.reason) is is_shared
    assert ("not the truth" in one.reason) is not is_shared


@pytest.mark.parametrize(("learners", "is_given"), [(5, False), (6, True)])
def test_agreement_of_all_learners_is_left_out_where_few_others_are_among_them(
    clinic: Audit, learners: int, is_given: bool
) -> None:
    """All less the own rows would be those of one other learner, or of a few."""
    each = [agreed(f"EX-{number:02}", "lachman", 0.7) for number in range(learners)]
    group = each[0] | {"group_by": "learner_supervisor", "group": "all"}
    kept = making._of(with_rows(clinic, "agreement", [*each, group]).results, "EX-00").tables["agreement"]
    assert ("learner_supervisor" in kept["group_by"].to_list()) is is_given
    assert kept.filter(group_by="examiner_supervisor")["group"].to_list() == ["EX-00"]


def test_agreement_wholly_under_the_declared_level_is_practised_lowest_first(clinic: Audit, sheet: Sheet) -> None:
    rows = [
        agreed(sheet.examiner, "lachman", 0.79), agreed(sheet.examiner, "valgus_stress_30", 0.7),
        agreed(sheet.examiner, "visible_swelling", 0.81), agreed(sheet.examiner, "extension_deficit", 0.5, people=9),
        agreed(sheet.examiner, "pivot_shift", 0.5), agreed("somebody-else", "posterior_sag", 0.5),
    ]  # fmt: skip
    apart = with_rows(with_rows(clinic, "examiner_probability", []), "agreement", rows)
    assert [item.maneuver.code for item in advice(Sheet(apart, sheet.examiner))] == ["valgus_stress_30", "lachman"]
    lenient = load_protocol({"agreement": {"least": 0.75}}, clinic.contract)
    other = Audit(apart.results, apart.contract, lenient, apart.wording)
    assert [item.maneuver.code for item in advice(Sheet(other, sheet.examiner))] == ["valgus_stress_30"]


@pytest.fixture(scope="module")
def sheets(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sheets of some, from a process beside this: to start a second takes longer than what it would spare."""
    out = tmp_path_factory.mktemp("sheets") / "private"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(making, "_WORTH_A_PROCESS", 1)
        patch.setattr(making, "examiners_in", lambda tallies: examiners_in(tallies)[:SOME])
        patch.setattr(making, "processes", lambda _: processes(1))
        patch.setattr(making.os, "cpu_count", lambda: 2)
        assert main(["report", "examiner", "--results", str(made / "clinic" / "results"), "--out", str(out)]) == 0
    return out


def test_everybody_has_a_sheet_in_a_folder_of_their_owner(sheets: Path, clinic: Audit) -> None:
    assert stat.S_IMODE(sheets.stat().st_mode) == 0o700
    names = {path.stem.removeprefix("examiner-") for path in sheets.glob("*.html")}
    assert names == set(examiners_in(clinic.table("tallies"))[:SOME])


@pytest.mark.parametrize(("examiners", "at_once"), [(9, []), (10, [2])])
def test_a_few_sheets_are_made_one_after_the_other_and_many_in_processes(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, examiners: int, at_once: list[int]
) -> None:
    everybody, begun = [f"EX-{number:02}" for number in range(1, examiners + 1)], []
    monkeypatch.setattr(making, "examiners_in", lambda _tallies: everybody)
    monkeypatch.setattr(making, "_of", lambda *_: SimpleNamespace(write=lambda _part: None))
    monkeypatch.setattr(making, "_render", lambda examiner, _results, **_: [Path(examiner)])
    monkeypatch.setattr(making, "processes", lambda number: begun.append(number) or ThreadPoolExecutor(1))
    monkeypatch.setattr(making.os, "cpu_count", lambda: 2)
    assert making.render_sheets(made / "clinic" / "results", tmp_path / "out") == [*map(Path, everybody)]
    assert begun == at_once


def test_nobody_else_stands_on_a_sheet_and_nothing_is_ranked(sheets: Path, clinic: Audit) -> None:
    names = set(examiners_in(clinic.table("tallies")))
    assert len(names) > SOME
    for path in sheets.glob("*.html"):
        text = re.sub(r"<(style|script).*?</\1>|data:[^\"]+", " ", path.read_text(encoding="utf-8"), flags=re.S)
        own = path.stem.removeprefix("examiner-")
        assert not any(re.search(rf"\b{re.escape(other)}\b", text) for other in names - {own})
        assert "Not for grading, credentialing, pay or discipline" in text
        assert not re.search(r"\b(percentile|badge|league|best examiner)\b", text, re.I)


def test_unknown_examiners_and_results_without_persons_are_refused(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    arguments = ["report", "examiner", "--results", str(made / "clinic" / "results"), "--out", str(out)]
    assert main([*arguments, "--examiner", "EM-999"]) == 8
    said = capsys.readouterr().err
    assert "no exam by that examiner" in said
    assert "EM-999" not in said
    assert main(["report", "examiner", "--results", str(made / "tiny" / "results"), "--out", str(out)]) == 8
    assert not out.exists()
