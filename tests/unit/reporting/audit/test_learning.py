"""The part of the report about learners."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from markdown_text import unescaped

from examtally.analytics.learning_curves.tables import learning_table
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import conform, empty
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.learning import HOW_TO_GET, NOBODY, section
from examtally.reporting.audit.learning_chart import LearningChart, learning_chart
from examtally.reporting.engine.wording import read_wording
from examtally.resources import resource
from examtally.results import Results
from examtally.results.results import Provenance

LACHMAN = ("acl_tear", "lachman")


SUPERVISORS = pl.DataFrame(
    schema={
        **dict.fromkeys(("condition", "maneuver", "outcome"), pl.String),
        "positive": pl.Boolean,
        **dict.fromkeys(("cases", "failures", "participants"), pl.Int64),
    }
)


def cases(
    number: int, examiner: str, pair: tuple[str, str] = LACHMAN, outcome: str = "reference", failing: float = 0.1
):
    """Cases of one learner over eight periods."""
    draw = np.random.default_rng(number)
    place = np.sort(draw.integers(1, 9, number))
    return pl.DataFrame(
        {
            **dict.fromkeys(("condition", "maneuver", "examiner_id", "outcome"), ""),
            "place": place,
            "period": [f"P{period:03}" for period in place],
            "participant": np.arange(number),
            "positive": draw.random(number) < 0.4,
            "failed": draw.random(number) < failing,
        }
    ).with_columns(
        condition=pl.lit(pair[0]), maneuver=pl.lit(pair[1]), examiner_id=pl.lit(examiner), outcome=pl.lit(outcome)
    )


def audit(*parts: pl.DataFrame, with_tallies: bool = True, **learning: Any) -> Audit:
    """What a report reads of these cases alone."""
    contract = load_contract()
    protocol = load_protocol({"learning": learning}, contract)
    table = learning_table(pl.concat(parts), SUPERVISORS, protocol) if parts else empty("learning")
    tallies = empty("tallies")
    if with_tallies:
        row = {name: 0 if kind.is_integer() else "" for name, kind in tallies.schema.items()}
        key = {"condition": "acl_tear", "maneuver": "lachman", "group_by": "examiner", "group": "EX-01"}
        tallies = pl.DataFrame([row | key], schema=tallies.schema)
    tables = {"learning": conform("learning", table), "tallies": tallies}
    provenance = Provenance("0" * 64, protocol.to_dict(), protocol.hash, 1, {})
    return Audit(Results(tables, provenance), contract, protocol, read_wording(resource("reports")))


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def drawing(text: str) -> str:
    """All that is written on the figures."""
    return " ".join(path.read_text(encoding="utf-8") for path in sorted(Path("fig").glob("*.svg"))) + text


def chart(made: Audit) -> str:
    """The chart of the first learner, as a sheet draws it."""
    rows = made.table("learning").filter(pl.col("examiner_id") == pl.col("examiner_id").first())
    sides = [
        LearningChart("You", "Lachman test", "Anterior cruciate ligament tear", part)
        for _, part in rows.group_by("among", maintain_order=True)
    ]
    return unescaped(learning_chart(sides, "mine"))


def test_limits_bear_their_chances_and_the_caption_says_where_the_learner_stands() -> None:
    text = chart(audit(cases(60, "EX-01", failing=0.0)))
    assert "Target reached: false signal 5%, true 88%, in 60 cases" in drawing(text)
    assert "Target perhaps left: false signal 5%, true 90%, in 60 cases" in drawing(text)
    assert "target reached on both sides" in text
    assert re.search(r"«Nouns» with the condition: 0 of \d+ \(0%\) findings disagreed with the reference", text)
    assert "«Nouns» without it: 0 of" in text
    assert "data:text/csv" in text
    assert "EX-01" not in drawing(text)


def test_a_chart_against_a_supervisor_says_that_the_supervisor_is_not_the_truth() -> None:
    text = chart(audit(cases(60, "EX-01", outcome="supervisor")))
    assert "The supervisor is not the truth." in drawing("")
    assert "The supervisor is not the truth." in text
    shutil.rmtree("fig")
    chart(audit(cases(60, "EX-01")))
    assert "not the truth" not in drawing("")


def test_a_planned_number_without_a_limit_is_said_on_the_chart() -> None:
    text = chart(audit(cases(60, "EX-01"), planned=20))
    assert "No limit: false signal 5%, true 52%, in 20 cases" in drawing(text)
    assert "Target reached:" not in drawing("")
    assert "no target can be judged with so few planned cases" in text


def test_the_group_sees_counts_and_no_learner() -> None:
    made = audit(*(cases(60 + number, f"EX-{number:02}") for number in range(1, 5)))
    text = section(made)
    assert next(cell for cell in re.findall(r"<td[^>]*>(.*?)</td>", text) if cell) == "4"
    assert "EX-0" not in text
    assert not any(re.search(rf"\b{code}\b", text) for code in made.codes.values())
    assert not Path("fig").exists()


def test_a_learner_whom_no_limit_judges_has_not_failed() -> None:
    text = section(audit(*(cases(60, f"EX-{number:02}") for number in range(1, 5)), planned=20))
    assert "Too few cases to judge any learner in 1 other maneuver or comparison; that says nothing" in text
    assert "<table" not in text
    mixed = section(audit(*(cases(60, f"EX-{number:02}", failing=0.0) for number in range(1, 5)), cases(4, "EX-05")))
    assert [cell for cell in re.findall(r"<td[^>]*>(.*?)</td>", mixed) if cell] == ["5", "4", "0", "1"]


def test_fewer_than_three_learners_have_no_row() -> None:
    assert section(audit(*(cases(60, f"EX-{number:02}") for number in (1, 2)))).startswith("Fewer than 3 learners")


def test_derived_conditions_and_a_second_line_of_the_same_finding_are_left_out() -> None:
    twice = [("medial_meniscus_tear", "mcmurray_medial"), ("meniscal_tear", "mcmurray_medial")]
    names = [f"EX-{number}" for number in range(3)]
    parts = [
        cases(30, who, pair, outcome) for who in names for pair in twice for outcome in ("reference", "supervisor")
    ]
    rows = re.findall(r'<th scope="row">(.*?)</th>', section(audit(*parts)))
    assert rows == ["McMurray test, medial<br /><small>Medial meniscus tear</small>", "McMurray test, medial"]


def test_without_persons_or_without_learners_a_sentence_stands_there() -> None:
    assert section(audit(with_tallies=False)) == HOW_TO_GET
    assert "`" not in HOW_TO_GET, "a page asks nobody to type a command"
    assert section(audit()) == NOBODY


def test_the_share_of_orders_that_reach_the_limit_is_told_while_it_is_open() -> None:
    rows = audit(cases(25, "EX-01", failing=0.5)).table("learning").filter(among="positive")
    made = LearningChart("You", "Lachman test", "", rows)
    assert made.orders == ""
    some = LearningChart("You", "Lachman test", "", rows.with_columns(share_signalled=pl.lit(0.31)))
    assert "In 31% of the possible orders of the cases the limit would have been reached by now." in some.sentence
