"""The first screen from hand-made leading rows: what each verdict is called, and which steps come first."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import polars as pl
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.models import BiasAdjusted
from examtally.contracts.results import empty
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.before_after_figure import _narrow, drawn
from examtally.reporting.audit.leading import Lead, answer, table_of, verdicts, withheld
from examtally.reporting.audit.next_steps import standing, steps_for

SIDES = ("sensitivity", "specificity", "lr_positive", "lr_negative")


def row(positive: str | None = "helps", negative: str | None = "helps", **changes: Any) -> dict[str, Any]:
    """A row of the leading estimate of Lachman's test."""
    figures = {"sensitivity": 0.8, "specificity": 0.9, "lr_positive": 8.0, "lr_negative": 0.22}
    spans = {
        f"{name}{end}": value * by for name, value in figures.items() for end, by in (("_low", 0.9), ("_high", 1.1))
    }
    words = {"verdict_positive": positive, "verdict_negative": negative, "basis": "bias_adjusted", "reason": None}
    counts = {"verified": 200, "participants": 300, "expected_present": 120.0, "expected_absent": 400.0}
    return {**figures, **spans, **words, **counts, **changes}


def audit(contract: Contract, made: dict[str, Any], **tables: pl.DataFrame) -> Audit:
    """One condition with one core maneuver and this row."""
    catalogue = contract.catalogue
    condition, maneuver = catalogue.conditions["acl_tear"], catalogue.maneuvers["lachman"]
    return cast(
        Audit,
        SimpleNamespace(
            settled=(condition,),
            catalogue=catalogue,
            leading={("acl_tear", "lachman"): made},
            protocol=SimpleNamespace(core=("lachman",), bias_adjusted=BiasAdjusted()),
            min_participants=10,
            core_maneuvers=lambda _: (maneuver,),
            periods=["P001", "P018"],
            models={},
            summed=lambda *_: 90,
            table=lambda name: tables.get(name, empty(name)),
        ),
    )


def agreement(estimate: float, participants: int = 40) -> pl.DataFrame:
    schema = empty("agreement").schema
    made = {"maneuver": "lachman", "group_by": "overall", "group": "all", "statistic": "gwet_ac1", "pairs": 50}
    blank = dict.fromkeys(schema)
    return pl.DataFrame([{**blank, **made, "estimate": estimate, "participants": participants}], schema=schema)


@pytest.mark.parametrize(
    ("positive", "negative", "said"),
    [
        ("rules_in", "helps", ["rules the injury in"]),
        ("helps", "rules_out", ["rules the injury out"]),
        ("rules_in", "rules_out", ["rules the injury in", "rules the injury out"]),
        ("helps", "too_early", ["settles nothing alone"]),
        ("weak", "too_early", ["Moves a suspicion somewhat"]),
        ("helps", "weak", ["settles nothing alone"]),
        ("no_help", "no_help", ["No help either way"]),
        ("too_early", "too_early", ["Too early to say"]),
        (None, None, ["Too early to say"]),
    ],
)
def test_each_verdict_has_its_sentence_and_no_other(
    contract: Contract, positive: str | None, negative: str | None, said: list[str]
) -> None:
    sentences = answer(audit(contract, row(positive, negative)))
    assert len(sentences) == len(said)
    assert all(words in sentence for words, sentence in zip(said, sentences, strict=True))
    assert all("Lachman test" in sentence for sentence in sentences)


def test_words_beside_the_picture(contract: Contract) -> None:
    catalogue = contract.catalogue
    pair = catalogue.conditions["acl_tear"], catalogue.maneuvers["lachman"]
    assert verdicts(Lead(*pair, row("helps", "weak"))) == ("lowers somewhat", "raises")
    assert verdicts(Lead(*pair, row("rules_in", "too_early"))) == ("too early", "rules in")
    assert verdicts(Lead(*pair, row("too_early", "too_early"))) == ("too early", "too early")
    assert Lead(*pair, row()).said("positive") == "77% (95% CI 76–79%)"


def test_the_rule_of_each_word_stands_under_the_picture(
    contract: Contract, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    made = audit(contract, row("helps", "weak"))
    lead = Lead(made.settled[0], made.core_maneuvers(made.settled[0])[0], made.leading["acl_tear", "lachman"])
    text = drawn(made, [lead], "seen").replace("\\", "")
    assert "the whole interval at least doubles or halves the odds. Somewhat: it moves them for certain" in text
    assert "Too early" not in text, "a word that does not stand there needs no rule"
    lead = Lead(lead.condition, lead.maneuver, row("helps", "too_early"))
    text = drawn(made, [lead], "early").replace("\\", "")
    assert "Too early: it may not move them at all, or the limits of the ratio lie over 3-fold apart." in text


def test_no_word_hides_a_mark_of_the_narrow_picture(contract: Contract) -> None:
    pair = contract.catalogue.conditions["acl_tear"], contract.catalogue.maneuvers["lachman"]
    figure = _narrow([Lead(*pair, row("weak", "weak")) for _ in range(4)])
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    (axes,) = figure.axes
    marks = [line.get_transform().transform(line.get_xydata()[0]) for line in axes.lines if line.get_marker() in "os"]
    assert len(marks) == 8
    size = 3.5 * figure.dpi / 72
    for text in figure.texts:
        patch = text.get_bbox_patch()
        assert patch is not None
        box = patch.get_window_extent(canvas.get_renderer()).padded(size)
        assert not any(box.contains(*mark) for mark in marks), text.get_text()


def test_what_is_withheld_stands_without_a_figure_and_with_its_reason(contract: Contract) -> None:
    hidden = row(None, None, basis="withheld", reason="Fewer than 20 are expected.", sensitivity=None)
    hidden |= {f"lr_{side}{end}": None for side in ("positive", "negative") for end in ("", "_low", "_high")}
    made = audit(contract, hidden)
    assert withheld(made) == ["Anterior cruciate ligament tear: fewer than 20 are expected."]
    text = table_of([Lead(made.settled[0], made.core_maneuvers(made.settled[0])[0], hidden)], "Figures")
    assert "withheld" in text
    assert "80%" not in text
    without = hidden | {"expected_present": None, "expected_absent": None}
    assert "200 verified" in table_of([Lead(made.settled[0], made.core_maneuvers(made.settled[0])[0], without)], "F")
    unsaid = Lead(made.settled[0], made.core_maneuvers(made.settled[0])[0], hidden | {"reason": None})
    assert "withheld" in table_of([unsaid], "Figures")


def test_a_negative_finding_that_rules_out_asks_for_nothing(contract: Contract) -> None:
    assert standing(audit(contract, row("helps", "rules_out"))) == []
    (step,) = standing(audit(contract, row("helps", "helps")))
    assert step.what == "Do not rule out anterior cruciate ligament tear on negative findings alone."
    assert "9% (95% CI" in step.why
    assert step.sentence.endswith("*Lead physician; remeasured by P030*")


@pytest.mark.parametrize("negative", ["helps", "no_help", "too_early"])
def test_a_condition_is_warned_of_by_its_main_maneuver_alone(contract: Contract, negative: str) -> None:
    made = audit(contract, row("helps", negative))
    other = contract.catalogue.maneuvers["drop_leg_lachman"]
    made.leading["acl_tear", other.code] = row("helps", "rules_out", lr_negative=0.02)
    made.maneuvers = lambda _: (*made.core_maneuvers(made.settled[0]), other)  # type: ignore[method-assign]
    (step,) = steps_for(made, made.settled[0])
    assert "A negative finding does not rule it out" in step
    assert "With Lachman test negative, a suspicion of 30% is still" in step
    assert "re-examine, and image where local protocol asks for it" in step
    made.leading["acl_tear", "lachman"] = row("helps", "rules_out")
    assert steps_for(made, made.settled[0]) == []


def several(contract: Contract, rows: dict[tuple[str, str], dict[str, Any]]) -> Audit:
    """The core conditions with one main maneuver each and these rows."""
    catalogue = contract.catalogue
    main = dict(rows)
    made = audit(contract, row())
    made.leading = rows  # type: ignore[misc]
    made.settled = tuple(catalogue.conditions[code] for code, _ in main)  # type: ignore[misc]
    made.core_maneuvers = lambda condition: tuple(  # type: ignore[method-assign]
        catalogue.maneuvers[maneuver] for code, maneuver in main if code == condition.code
    )
    made.tally = lambda *_: {"participants_present": 40, "participants_absent": 90, "window_open": 0, "exams": 0}  # type: ignore[method-assign]
    return made


ACL, MCL = ("acl_tear", "lachman"), ("mcl_injury", "valgus_stress_30")
MEDIAL, LATERAL = (
    ("medial_meniscus_tear", "medial_joint_line_tenderness"),
    ("lateral_meniscus_tear", "lateral_joint_line_tenderness"),
)
UNKNOWN: dict[str, Any] = {"sensitivity": None, "reason": "Too few."}


@pytest.mark.parametrize(
    ("rows", "what", "why"),
    [
        (
            {ACL: row("helps", "helps", lr_negative=0.25), MCL: row("helps", "too_early", lr_negative=0.38)},
            "anterior cruciate ligament tear or medial collateral ligament injury",
            "A suspicion of 30% is still 10% (95% CI 8–9%) after a negative Lachman test and 14% (95% CI 8–9%) after a "
            "negative valgus stress test at 30 degrees: re-examine",
        ),
        (
            {ACL: row("helps", "rules_out"), MCL: row("helps", "too_early", lr_negative=0.38)},
            "medial collateral ligament injury",
            "A suspicion of 30% is still 14% (95% CI 8–9%) after a negative valgus stress test at 30 degrees:",
        ),
        (
            {ACL: row("helps", "helps"), MCL: row("helps", None, **UNKNOWN)},
            "anterior cruciate ligament tear or medial collateral ligament injury",
            "after a negative Lachman test. Too early to say of medial collateral ligament injury: re-examine",
        ),
        (
            dict.fromkeys([ACL, MCL, MEDIAL, LATERAL], row("helps", "weak")),
            "any core condition",
            "A suspicion of 30% is still 9%",
        ),
        (
            dict.fromkeys([ACL, MCL, MEDIAL, LATERAL], row(None, None, **UNKNOWN)),
            "any core condition",
            "What they leave cannot be said yet: re-examine",
        ),
    ],
)
def test_what_no_negative_finding_rules_out_is_warned_of_however_little_is_known(
    contract: Contract, rows: dict[tuple[str, str], dict[str, Any]], what: str, why: str
) -> None:
    first = standing(several(contract, rows))[0]
    assert first.what == f"Do not rule out {what} on negative findings alone."
    assert why in first.why


def test_a_reason_for_many_conditions_names_the_first(contract: Contract) -> None:
    made = several(contract, dict.fromkeys([ACL, MCL, MEDIAL, LATERAL], row(None, None, **UNKNOWN)))
    why = standing(made)[-1].why
    assert why.startswith(
        "Anterior cruciate ligament tear, medial collateral ligament injury, medial meniscus tear and"
    )
    assert "and 1 other: too few." in why
    assert "lateral meniscus tear: too few." in withheld(made)[0]


def test_one_maneuver_that_rules_out_is_enough_for_its_condition(contract: Contract) -> None:
    better = {ACL: row("helps", "too_early", lr_negative=0.01), ("acl_tear", "pivot_shift"): row("helps", "rules_out")}
    assert standing(several(contract, better)) == []


def test_a_condition_without_a_figure_is_too_early_to_rule_out(contract: Contract) -> None:
    made = several(contract, {ACL: row(None, None, **UNKNOWN)})
    made.maneuvers = made.core_maneuvers  # type: ignore[method-assign]
    (step,) = steps_for(made, made.settled[0])
    assert "Too early to rule it out on a negative finding" in step
    assert "No figure of Lachman test can be shown yet" in step


def test_poor_agreement_asks_for_a_session_and_good_or_rare_agreement_does_not(contract: Contract) -> None:
    def asked(found: pl.DataFrame) -> list[str]:
        return [step.why for step in standing(audit(contract, row("helps", "rules_out"), agreement=found))]

    (why,) = asked(agreement(0.4))
    assert why.startswith("Of the core maneuvers, two examiners agree least on it: 0.40 beyond chance")
    assert not asked(agreement(0.7))
    assert not asked(agreement(0.4, participants=9))
