"""The monthly report: what a committee meets first, what it never meets, and the file it keeps."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import polars as pl
import pytest

from examtally.contracts.results import empty
from examtally.errors import ReportError, ResultsError
from examtally.reporting import render_monthly
from examtally.reporting.actions_page import conclusions
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import figure_cells, leads
from examtally.reporting.monthly import Month, asked, panels, promises, screen, sections
from examtally.reporting.monthly.actions import Action, decided, named, read_actions
from examtally.results import Results, read_results

ACTION = Action("A-1", "Print the core list", "core_complete", "beyond_limits", "lead physician", "P010")


def with_row(audit: Audit, indicator: str, period: str, group_by: str = "overall", **cells: Any) -> Audit:
    """The audit with some cells of one row of the indicators table replaced."""
    table = audit.table("indicators")
    hit = (pl.col("indicator") == indicator) & (pl.col("period") == period) & (pl.col("group_by") == group_by)
    changed = table.with_columns(
        pl.when(hit).then(pl.lit(value, table.schema[name])).otherwise(pl.col(name)).alias(name)
        for name, value in cells.items()
    )
    tables = {**audit.results.tables, "indicators": changed}
    return replace(audit, results=Results(tables, audit.results.provenance))


def quiet(audit: Audit) -> Audit:
    """The audit without any signal."""
    table = audit.table("indicators").with_columns(signal=pl.lit(value=False))
    return replace(audit, results=Results({**audit.results.tables, "indicators": table}, audit.results.provenance))


def loud(audit: Audit, period: str = "P017") -> Audit:
    return with_row(quiet(audit), "core_complete", period, signal=True, rule="beyond_limits")


def judging(audit: Audit) -> Audit:
    """The audit with a moving average in every chart, as after its first twelve points."""
    table = audit.table("indicators").with_columns(smoothed=pl.coalesce("smoothed", "value"))
    return replace(audit, results=Results({**audit.results.tables, "indicators": table}, audit.results.provenance))


def test_a_month_is_quiet_only_where_every_chart_could_have_signaled(clinic: Audit) -> None:
    said = screen.headline(Month(judging(quiet(clinic)), "P018"))
    assert said == "**Quiet period.** No chart signals. Judged: records up to P017 and results up to P012."
    said = screen.headline(Month(quiet(clinic), "P018"))
    assert said == (
        "**No signal in what could be judged:** records up to P017. The charts of results are still setting their "
        "usual value: judged from P013 on."
    )


def test_audit_month_and_actions_ask_for_the_same_in_the_same_words_and_order(clinic: Audit) -> None:
    for audit in (quiet(clinic), loud(clinic)):
        steps = asked.asked_now(audit)
        assert len(steps) > 1
        texts = (screen.decisions(Month(audit, "P018")), conclusions.in_short(audit))
        for text in texts:
            places = [text.index(escape(step.what, quote=False)) for step in steps]
            assert places == sorted(places)
            assert all(f">{step.who}<br /><small>{step.due}</small></td>" in text for step in steps)
        first = asked.first(audit)
        assert all(step.sentence in first for step in steps[:3])
        more = f"*{len(steps) - 3} more on the page Conclusions and actions, `examtally report actions`.*"
        assert first.endswith(more) is (len(steps) > 3)


def test_a_signal_asks_for_a_decision_with_rule_owner_and_last_outcome(clinic: Audit) -> None:
    done = replace(ACTION, id="A-0", opened="P004", outcome="It rose")
    month = Month(loud(clinic), "P018", (done, ACTION))
    assert screen.headline(month).startswith("**1 signal.** ")
    text = screen.decisions(month)
    for words in ("Look into: Core exam complete", "outside its limits", "lead physician", "It rose (A-0)"):
        assert words in text
    assert "Record every core maneuver" not in text, "what a chart signals is asked for once"
    (signal, *_) = asked.asked(Month(loud(clinic), "P018"))
    assert (signal.who, signal.due) == ("Clinic lead", "P021")


def test_a_signal_of_an_earlier_point_is_over(clinic: Audit) -> None:
    assert not Month(loud(clinic, "P016"), "P018").signals
    assert Month(loud(clinic, "P016"), "P017").signals == [], "the newest mature point decides, and that is P017 still"
    assert len(Month(loud(clinic, "P016"), "P016").signals) == 1


def test_an_open_decision_stays_on_the_first_screen_and_a_later_one_is_not_yet_there(clinic: Audit) -> None:
    month = Month(quiet(clinic), "P018", (ACTION, replace(ACTION, id="A-2", opened="P020")))
    assert "A-1" in screen.decisions(month)
    assert "A-2" not in screen.decisions(month)


def test_missed_injuries_have_the_expected_reading_errors_taken_off(clinic: Audit) -> None:
    table = clinic.table("indicators")
    is_missed = (pl.col("indicator") == "missed_injuries") & (pl.col("group_by") == "overall") & pl.col("mature")
    counts = {"numerator": 4, "denominator": 40, "expected": 1.5, "expected_all": 3.0}
    made = table.with_columns(
        pl.when(is_missed).then(pl.lit(value, table.schema[name])).otherwise(pl.col(name)).alias(name)
        for name, value in counts.items()
    )
    audit = replace(clinic, results=Results({**clinic.results.tables, "indicators": made}, clinic.results.provenance))
    text = screen.missed(Month(audit, "P018"))
    periods = made.filter(is_missed).tail(12).height
    assert text.startswith(f"**About {round(1.5 * periods)} missed injuries** among verified «nouns»")
    assert f"with those never imaged about {3 * periods} in all" in text
    assert f"put below 10% after the exam was then verified {40 * periods} times; {4 * periods} times" in text
    assert f"about {round(2.5 * periods)} are expected to be its reading errors" in text
    assert f"{40 * periods} verified «nouns»" not in text, "those are calls, several of one knee"


def test_without_a_model_nothing_is_taken_off_and_the_page_says_so(clinic: Audit) -> None:
    assert "is not known here" in screen.missed(Month(clinic, "P018"))


def test_the_leading_figures_are_those_of_the_audit(clinic: Audit) -> None:
    rows = re.findall(r"<tr>.*?</tr>", sections.leading_figures(Month(clinic, "P018")))
    for lead in (lead for lead in leads(clinic) if lead.condition.core):
        cells = figure_cells(lead.row)
        shown = [row for row in rows if f">{lead.maneuver.name}<" in row]
        wanted = [cells[name].replace("\n", "<br /><small>") for name in ("sensitivity", "specificity")]
        assert any(all(cell in row for cell in wanted) for row in shown)


@pytest.mark.parametrize("page", ["monthly", "audit"])
def test_a_committee_has_nothing_to_type(monthly: Path, page: str) -> None:
    for size in ("clinic", "young", "tiny", "empty"):
        text = (monthly / size / "out" / f"{page}.html").read_text(encoding="utf-8")
        body = re.sub(r"<(style|script).*?</\1>", " ", text, flags=re.S)
        assert not re.search(r"<code>|examtally (review|report|analyze|ingest)|--\w", body)


def test_missed_injuries_stand_first(monthly: Path) -> None:
    text = (monthly / "clinic" / "out" / "monthly.html").read_text(encoding="utf-8")
    assert text.index("Missed injuries") < text.index("Decisions asked for")


@pytest.mark.parametrize(("due", "said"), [("", "to be set"), ("P020", "P020"), ("P016", "overdue")])
def test_a_decision_says_when_it_is_due(clinic: Audit, due: str, said: str) -> None:
    text = screen.decisions(Month(quiet(clinic), "P018", (replace(ACTION, due=due),)))
    assert said in text
    assert "overdue" not in text or due == "P016"


def test_months_are_called_by_their_names() -> None:
    assert Month(cast(Audit, None), "2026-03").label == "March 2026"
    assert Month(cast(Audit, None), "P018").label == "Period P018"


def test_the_month_stands_beside_the_one_before(clinic: Audit) -> None:
    text = screen.counts(Month(clinic, "P018"))
    labels = re.findall(r'<th scope="row">(.*?)</th>', text)
    assert labels == [
        "Exams seen",
        "Core exam complete",
        "Probability stated",
        "First exams of a complaint: verified",
        "First exams of a complaint: results to come",
    ]
    assert re.search(r'<th scope="col">P018</th><th scope="col">P017</th>', text)


def test_no_month_after_the_one_asked_for_is_read(clinic: Audit) -> None:
    month = Month(clinic, "P009")
    assert month.periods[-1] == "P009"
    assert "12 periods with follow-up complete" in screen.headline(month)
    assert not month.charts, "limits about the first twelve were not known then"


def test_charts_have_open_points_that_are_told_apart(
    clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    month = Month(quiet(clinic), "P018")
    text = panels.panels(month, panels.ANSWERS, "answers", panels.legend(month))
    assert "still open" in text
    assert "6 periods still open" in text
    assert text.count("no signal") == 2 * len([code for code in panels.ANSWERS if month.series(code).height])
    assert len(list((tmp_path / "fig").glob("answers-????????.svg"))) == 1


def test_multiplicity_is_stated(clinic: Audit) -> None:
    text = promises.multiplicity(Month(clinic, "P018"))
    assert re.search(r"\d charts by period.* are watched.*give a signal in about 5% of years", text)
    assert "not a finding" in text


def test_no_examiner_is_named_and_there_is_no_funnel_of_examiners(monthly: Path) -> None:
    text = (monthly / "clinic" / "out" / "monthly.html").read_text(encoding="utf-8")
    assert not re.search(r"EX-\d\d", text)
    assert "No chart here is about a person" in text


def test_learners_are_counted_and_not_named(clinic: Audit) -> None:
    text = sections.learners(Month(clinic, "P018"))
    assert re.search(r"\d+ learners? reached a target on both sides, \d+ learners? may have left one", text)
    assert "EX-" not in text


@pytest.mark.parametrize(
    ("size", "said"),
    [
        ("tiny", "Too early for signals."),
        ("young", "Points without limits"),
        ("empty", "No exam yet."),
    ],
)
def test_a_little_registry_gets_a_short_honest_report(monthly: Path, size: str, said: str) -> None:
    text = (monthly / size / "out" / "monthly.html").read_text(encoding="utf-8")
    assert said in text
    assert "None" not in re.sub(r"<[^>]*>", "", text)
    assert "nan" not in re.sub(r"<[^>]*>", " ", text).split()


def test_the_same_results_give_the_same_bytes(monthly: Path, tmp_path: Path) -> None:
    (page,) = render_monthly(monthly / "clinic" / "results", tmp_path, period="P018")
    assert page.name == "monthly-P018.html"
    assert page.read_bytes() == (monthly / "clinic" / "out" / "monthly.html").read_bytes()


@pytest.mark.parametrize("period", ["P099", "2026-03", "march", "../x"])
def test_an_unknown_period_is_one_line_with_the_legal_set(made: Path, tmp_path: Path, period: str) -> None:
    with pytest.raises(ReportError, match=r"there is no period .*use one of P001 to P018") as caught:
        render_monthly(made / "clinic" / "results", tmp_path, period=period)
    assert "\n" not in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_results_without_indicators_are_refused(made: Path, tmp_path: Path) -> None:
    results = read_results(made / "tiny" / "results")
    del results.tables["indicators"]  # type: ignore[attr-defined]
    results.write(tmp_path / "results")
    with pytest.raises(ResultsError, match="run `examtally analyze` again"):
        render_monthly(tmp_path / "results", tmp_path / "out", period="P001")


def test_an_actions_file_is_read_and_handed_on(tmp_path: Path) -> None:
    file = tmp_path / "actions.yaml"
    file.write_text(
        "actions:\n  - id: A-1\n    decision: Print the core list\n    indicator: core_complete\n"
        "    rule: beyond_limits\n    owner: lead physician\n    opened: P010\n    outcome:\n    due:\n",
        encoding="utf-8",
    )
    actions = read_actions(file)
    assert actions == (ACTION,)
    assert actions[0].is_open
    assert decided(named(file)) == actions
    assert decided(named(None)) == ()
    file.write_text("actions:\n", encoding="utf-8")
    assert read_actions(file) == ()


LINES = {
    "id": "A-1",
    "decision": "Print it",
    "indicator": "yield",
    "rule": "funnel",
    "owner": "lead physician",
    "opened": "2026-03",
}


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("owner", "Dr. Miller", "write a role of one to five small words"),
        ("opened", "March", "write a period, as 2026-03 or P012"),
        ("due", "soon", "write a period, as 2026-03 or P012"),
        ("rule", "gut feeling", "use one of beyond_limits"),
        ("indicator", "mood", "use one of exams_seen"),
        ("id", "1 2", "has the wrong form"),
        ("decision", None, "is empty"),
        ("decision", "x" * 300, "at most 240"),
        ("budget", "none", "unknown key 'budget'"),
    ],
)
def test_a_wrong_actions_file_is_one_line(tmp_path: Path, key: str, value: str | None, said: str) -> None:
    entries = {**LINES, key: value or ""}
    file = tmp_path / "actions.yaml"
    inner = "\n    ".join(f"{name}: {text}" for name, text in entries.items())
    file.write_text(f"actions:\n  - {inner}\n", encoding="utf-8")
    with pytest.raises(ReportError, match=re.escape(said)) as caught:
        read_actions(file)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("actions.yaml, line ")


def test_two_actions_of_one_id_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "actions.yaml"
    inner = "\n    ".join(f"{name}: {text}" for name, text in LINES.items())
    file.write_text(f"actions:\n  - {inner}\n  - {inner}\n", encoding="utf-8")
    with pytest.raises(ReportError, match="stands twice"):
        read_actions(file)


def test_a_batch_that_sent_known_records_again_is_said_to_bring_nothing_new(clinic: Audit) -> None:
    batch = {"batch_no": 9, "table": "exams", "lines": 40, "stored": 0, "unchanged": 38, "held_back": 2}
    for stored, is_said in ((0, True), (1, False)):
        known = pl.DataFrame([{**dict.fromkeys(empty("batches").schema), **batch, "stored": stored}])
        batches = pl.concat([clinic.table("batches"), known.cast(dict(empty("batches").schema))])  # type: ignore[arg-type]
        tables = {**clinic.results.tables, "batches": batches}
        audit = with_row(replace(clinic, results=Results(tables, clinic.results.provenance)), "held_back", "P018")
        text = screen.held_back(Month(audit, "P018"))
        assert ("Batch 9, the newest, brought nothing new: 38 of its 40 lines were already stored." in text) is is_said


def test_a_month_that_is_open_looks_unusual_where_two_records_are_at_their_worst(clinic: Audit) -> None:
    lower = with_row(clinic, "core_complete", "P018", value=0.01)
    assert screen.unusual(Month(lower, "P018")) == "", "one of four is the lowest so far by chance, often"
    both = with_row(lower, "probability_stated", "P018", value=0.02)
    text = screen.unusual(Month(both, "P018"))
    assert "core exam complete 1% and probability stated 2%, the worst of 18 periods." in text


@pytest.mark.parametrize(
    ("taken", "said"),
    [
        (["P003"], "5 of 40 (12%) of the lines new in this period (exams of P001 to P003)."),
        (["P002", "P003"], "5 of 40 (12%) of the lines new in this period; the period before 5 of 40 (12%)."),
    ],
)
def test_lines_of_earlier_periods_that_came_now_are_said_to_be_so(taken: list[str], said: str) -> None:
    rows = {period: {"numerator": 5, "denominator": 40} for period in taken}
    month = SimpleNamespace(
        period="P003",
        previous="P002",
        unit="period",
        periods=["P001", "P002", "P003"],
        row=lambda _, period="P003": rows.get(period),
        audit=SimpleNamespace(table=empty),
    )
    assert screen.held_back(cast(Month, month)) == f"**Records held for correction:** {said}"
