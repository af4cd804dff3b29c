"""The supervisors' page: what learners find hard, which way they err, and nobody who could be recognized."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from examtally.analytics.agreement.tables import agreement_table
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import conform
from examtally.errors import ReportError
from examtally.reporting import supervisor_page
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.wording import read_wording
from examtally.reporting.examiner_sheet import telling
from examtally.reporting.examiner_sheet.sheet import Sheet
from examtally.reporting.supervisor_page import render_supervisor
from examtally.resources import resource
from examtally.results.results import Provenance, Results

CONTRACT = load_contract()
PROTOCOL = load_protocol(None, CONTRACT)


def _results(learners: int) -> Results:
    """Sixty pairs a maneuver: learners call the Lachman test too often, and joint line tenderness as supervisors do."""
    draw = np.random.default_rng(4)
    rows = []
    for maneuver, wrong in {"lachman": 0.55, "medial_joint_line_tenderness": 0.03}.items():
        supervisor = draw.random(60) < 0.4
        learner = supervisor | (draw.random(60) < wrong)
        rows += [
            {"maneuver": maneuver, "participant": n, "unit": n, "exam_a": 2 * n, "exam_b": 2 * n + 1}
            | {"a": int(learner[n]), "b": int(supervisor[n]), "grade_a": None, "grade_b": None}
            for n in range(60)
        ]
    pairs = pl.DataFrame(rows, schema_overrides={"grade_a": pl.Int64, "grade_b": pl.Int64})
    groups = [("overall", "all"), ("learner_supervisor", "all"), ("examiner_pair", "E-01/E-02")]
    grouped = pl.concat([pairs.with_columns(group_by=pl.lit(by), group=pl.lit(group)) for by, group in groups])
    summary = pl.DataFrame({"item": ["learners"], "group": ["all"], "value": [learners]})
    tables = {
        "agreement": conform("agreement", agreement_table(grouped, CONTRACT, PROTOCOL)),
        "cohort_summary": conform("cohort_summary", summary),
    }
    return Results(tables, Provenance("0" * 64, PROTOCOL.to_dict(), PROTOCOL.hash, 1, {}))


def _audit(learners: int = 4) -> Audit:
    return Audit(_results(learners), CONTRACT, PROTOCOL, read_wording(resource("reports")))


def test_the_hard_maneuver_comes_first_with_its_technique_and_which_way_learners_err() -> None:
    audit = _audit()
    assert [one.maneuver.code for one in supervisor_page.hardest(audit)] == ["lachman"]
    told = supervisor_page.practise(audit)
    assert "positive more often than supervisors do" in told
    assert CONTRACT.catalogue.maneuvers["lachman"].technique in told
    assert "as often" in supervisor_page.agreement(audit)
    assert "4 learners" in supervisor_page.opening(audit)
    assert "Of the core maneuvers they disagree with supervisors most on **Lachman test**: teach this first." in (
        supervisor_page.opening(audit)
    )


def test_what_is_hard_beside_the_core_is_named_as_such() -> None:
    """The Lachman test and another alike, of which the first alone is core."""
    made, other = _results(4), pl.lit("pivot_shift")
    agreement = made.tables["agreement"]
    again = agreement.filter(maneuver="lachman").with_columns(maneuver=other)
    both = Results({**made.tables, "agreement": pl.concat([agreement, again])}, made.provenance)
    said = supervisor_page.opening(Audit(both, CONTRACT, PROTOCOL, read_wording(resource("reports"))))
    assert re.search(
        r"Of the core maneuvers .*\*\*Lachman test\*\*.* Of the others, on pivot shift test \(\d+%\)\.", said
    )


def test_two_learners_make_no_page(tmp_path: Path) -> None:
    folder = _results(2).write(tmp_path / "results")
    with pytest.raises(ReportError, match="fewer than 3 learners"):
        render_supervisor(folder, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_page_names_nobody(tmp_path: Path) -> None:
    (page,) = render_supervisor(_results(4).write(tmp_path / "results"), tmp_path / "out")
    text = page.read_text(encoding="utf-8")
    assert "Knee: what learners find hard" in text
    assert "E-01" not in text


def test_cases_to_look_at_again_are_told_by_code_and_answer() -> None:
    sheet = Sheet(_audit(), "E-01")
    found = {"exam_id": "EX-77", "condition": "acl_tear", "maneuver": "lachman", "finding": "negative"}
    rows = [
        found | {"probability": None, "reference": "present"},
        found | {"exam_id": "EX-9", "maneuver": None, "finding": None, "probability": 0.05, "reference": "present"},
    ]
    text = telling.again(sheet, json.dumps(rows))
    assert text.index("EX-77") < text.index("EX-9")
    assert "Lachman test negative, anterior cruciate ligament tear present" in text
    assert "you stated 5%" in text
    assert telling.again(sheet, "[]") == ""


def test_results_of_a_version_that_did_not_count_learners_ask_for_a_new_analysis() -> None:
    results = _results(4)
    results.tables["cohort_summary"] = results.tables["cohort_summary"].clear()
    older = Audit(results, CONTRACT, PROTOCOL, read_wording(resource("reports")))
    with pytest.raises(ReportError, match="did not count learners; analyze again"):
        supervisor_page.learners(older)
