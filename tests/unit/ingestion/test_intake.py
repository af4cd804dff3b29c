"""The second engine counts what the gate counts, says when it failed itself, and hands no value on."""

from __future__ import annotations

import logging
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from records import exam, finding, send, write_csv

from examtally.ingestion import BatchReport, batch, check
from examtally.ingestion.checking import intake
from examtally.ingestion.storing.report import IntakeCheck
from examtally.registry import open_registry

pytestmark = pytest.mark.usefixtures("both_engines")

SECRET = "Marrowgate"

BAD = {
    "examiners": [{"examiner_id": "EM-1", "role": "wizard", "site_id": SECRET, "start_period": "May"}],
    "participants": [{"participant_id": SECRET, "age_years": 91, "sex": "f", "bmi": "x", "activity": "chess"}] * 2,
    "exams": [
        exam("EX-1", episode=0, pain_now=11, effusion="big", thigh_cm="40 cm", mechanism="magic"),
        exam("", side="", examiner_id="", period="", exam_day="", participant_id=""),
        exam("EX-2", exam_day="36501"),
        exam("EX-2", exam_day="-36501"),
    ],
    "history": [{"exam_id": "EX-1", "item": "mood", "answer": "good"}],
    "findings": [
        finding("EX-1", "lachman", sign="visible", grade=4, measure="five", flexion_deg=170, done_order=0),
        finding("EX-1", "sweep_test", "perhaps", reason="rain", pain="a lot", measure=3, end_point="hard"),
        finding("EX-1", "no_test", grade="2.0", measured_by="eyes"),
    ],
    "impressions": [
        {"exam_id": "EX-1", "condition": "acl_tear", "stage": "after_lunch", "probability": 0.2},
        {"exam_id": "EX-1", "condition": "gout", "stage": "after_exam", "probability": "1,2"},
        {"exam_id": "EX-1", "condition": "acl_tear", "stage": "after_exam", "probability": -0.1},
    ],
}


def _check(folder: Path, tables: dict[str, list[dict[str, object]]]) -> BatchReport:
    for name, rows in tables.items():
        write_csv(folder / f"{name}.csv", rows)
    return check([folder])


def _gate_counts(report: BatchReport) -> Counter[str]:
    counts: Counter[str] = Counter()
    for broken in report.held_back:
        counts[broken.rule] += broken.lines
    return counts


def test_both_engines_count_alike_rule_by_rule(tmp_path: Path) -> None:
    report = _check(tmp_path, BAD)
    gate = _gate_counts(report)
    assert {one.rule: one.unexpected for one in report.intake} == {one.rule: gate[one.rule] for one in report.intake}
    assert not any(one.raised for one in report.intake)
    assert sum(1 for one in report.intake if one.unexpected) >= 40
    unchecked = set(gate) - {one.rule for one in report.intake}
    # references are known only when the registry is; what is screened for never reaches another engine
    assert all(rule.endswith(".reference") or ".screen_" in rule for rule in unchecked)


def test_clean_data_have_nothing_unexpected(tmp_path: Path) -> None:
    report = _check(tmp_path, {"exams": [exam("EX-1", pain_now="")], "findings": [finding("EX-1", reason=None)]})
    assert {one.unexpected for one in report.intake} == {0}


def test_above_the_limit_every_nth_line_is_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "MOST_LINES", 10)
    people = [{"participant_id": f"PT-{number}", "sex": "x" if number % 3 == 0 else "male"} for number in range(28)]
    report = _check(tmp_path, {"participants": people})
    (sex,) = [one for one in report.intake if one.rule == "participants.sex.enum"]
    assert (sex.rows, sex.checked, sex.unexpected) == (28, 10, 10)  # lines 0, 3, 6, …: each of them wrong here


def test_an_engine_that_fails_on_one_check_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = intake.Expectation("expect_column_values_to_be_in_set", "no_such_column", {"value_set": [1]})
    real = intake.expectations_for
    monkeypatch.setattr(intake, "expectations_for", lambda *args: [*real(*args), ("participants.broken", broken)])
    report = _check(tmp_path, {"participants": [{"participant_id": "PT-1", "sex": "x"}]})
    by_rule = {one.rule: one for one in report.intake}
    assert by_rule["participants.broken"].raised
    assert by_rule["participants.broken"].unexpected is None
    assert by_rule["participants.sex.enum"].unexpected == 1
    assert not by_rule["participants.sex.enum"].raised


def test_an_engine_that_does_not_start_decides_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError(SECRET)

    monkeypatch.setattr(intake, "_validate", fail)
    registry = tmp_path / "registry.duckdb"
    report = send(tmp_path, registry, second_engine=True, exams=[exam("EX-1"), exam("EX-2", side="both")])
    assert all(one.raised and one.unexpected is None for one in report.intake)
    assert report.tables[0].stored == report.tables[0].held_back == 1
    with open_registry(registry) as opened:
        kept = opened.con.execute("select distinct raised, unexpected from reg.intake_checks").fetchall()
    assert kept == [(True, None)]


def test_the_outcome_is_kept_with_the_batch(tmp_path: Path) -> None:
    registry = tmp_path / "registry.duckdb"
    report = send(tmp_path, registry, second_engine=True, exams=[exam("EX-1", side="both")])
    with open_registry(registry) as opened:
        rows = opened.con.execute(
            'select "table", rule, expectation, "rows", checked, unexpected, raised from reg.intake_checks'
        ).fetchall()
    assert {IntakeCheck(*row) for row in rows} == set(report.intake)


def test_an_everyday_ingest_loads_neither_the_second_engine_nor_frames(tmp_path: Path) -> None:
    write_csv(tmp_path / "exams.csv", [exam("EX-1")])
    code = (
        "import sys; from examtally.cli.app import main; "
        f"assert main(['ingest', {str(tmp_path / 'exams.csv')!r}, '--registry', {str(tmp_path / 'r.duckdb')!r}]) == 0; "
        "print([name for name in ('great_expectations', 'pandas', 'polars', 'numpy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
    assert "second engine" not in done.stdout


def test_the_second_engine_is_loaded_without_what_our_expectations_never_use(tmp_path: Path) -> None:
    """Nor with Spark, which ends the process where a package that Spark can do without is missing."""
    write_csv(tmp_path / "exams.csv", [exam("EX-1", side="both")])
    (tmp_path / "spark" / "pyspark").mkdir(parents=True)
    (tmp_path / "spark" / "pyspark" / "__init__.py").write_text("import sys\nsys.exit(0)\n", encoding="utf-8")
    code = f"""
import sys
sys.path.insert(0, {str(tmp_path / "spark")!r})
from examtally.ingestion import check
found = [one.unexpected for one in check([{str(tmp_path)!r}]).intake if one.rule == "exams.side.enum"]
print(found, [name for name in {(*intake._LATER, "pyspark")!r} if name in sys.modules])
from great_expectations.expectations.core import expect_column_kl_divergence_to_be_less_than as charted
print(charted.alt.Chart.__module__.split(".")[0], round(charted.stats.norm.cdf(0), 1))
import altair, jsonschema, scipy.stats
print(altair.Chart is charted.alt.Chart, jsonschema.Draft7Validator.__name__, scipy.stats.norm is charted.stats.norm)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["[1] []", "altair 0.5", "True Draft7Validator True"]


def test_nothing_of_a_value_is_printed_or_logged(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        report = _check(tmp_path, BAD)
    printed = capfd.readouterr()
    assert printed.out == printed.err == ""
    assert SECRET.lower() not in (caplog.text + report.to_json() + repr(report)).lower()


def test_the_second_engine_is_not_loaded_without_need() -> None:
    assert batch.examine is intake.examine
    source = Path(intake.__file__).read_text(encoding="utf-8")
    assert "\nimport great_expectations" not in source
    assert "\nimport pandas" not in source
