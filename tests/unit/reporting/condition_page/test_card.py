"""The card: own ratios from thirty people on each side, published ones marked until then, and one sheet of paper."""

from __future__ import annotations

import math
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from programs import POPPLER

from examtally.cli.app import main
from examtally.contracts.catalogue.clinical import Condition, Published
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import canonical_hash
from examtally.errors import ReportError
from examtally.reporting import render_cards
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.conditions import published_span
from examtally.reporting.condition_page.card import PUBLISHED, SUSPICIONS, card, expiry, periods_covered
from examtally.reporting.condition_page.ratios import FEWEST, MOST, lines_of, published_ratios
from examtally.reporting.engine.aims import LEADING
from examtally.reporting.engine.wording import inside_sentence
from examtally.results import Results

FIRST_RULE_OUT = (
    "After an injury, any one of these: 55 or older, cannot take four steps, cannot bend the knee to a right angle, "
    "bone tender at the head of the fibula or at the patella alone (fracture). A radiograph before any stress.",
    "Locked knee: do not force it; early specialist opinion.",
    "No pulse, a cold or numb foot, or a foot that cannot be lifted: an emergency.",
    "Gross opening in full extension (possible dislocation, even with a pulse): call for help; pulses, ankle-brachial "
    "index, imaging of the vessels by local protocol.",
    "Cannot raise the straight leg, fever with a hot knee, calf swelling, hip pain or limp in a child: settle that "
    "first.",
)
USE = (
    "A negative test does not clear a knee for play. Do not multiply the ratios of two tests for the same structure. "
    "Applies to knees like ours; local protocol and clinical judgment come first."
)


def ligament(audit: Audit) -> Condition:
    return audit.catalogue.conditions["acl_tear"]


def with_people(audit: Audit, present: int, absent: int) -> Audit:
    """The audit with other numbers of people behind every maneuver of the cruciate ligament."""
    tallies = audit.table("tallies").with_columns(
        pl.when(condition="acl_tear", group_by="overall").then(people).otherwise(pl.col(name)).alias(name)
        for name, people in (("participants_present", present), ("participants_absent", absent))
    )
    return with_table(audit, "tallies", tallies)


def with_table(audit: Audit, name: str, frame: pl.DataFrame) -> Audit:
    results = Results({**audit.results.tables, name: frame}, audit.results.provenance)
    return Audit(results, audit.contract, audit.protocol, audit.wording)


def spoken(text: str) -> str:
    """The text of a card on one line, tags taken off."""
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())


def test_it_says_what_comes_first_word_for_word(clinic: Audit) -> None:
    assert load_contract().catalogue.card_caution == "\n".join([*FIRST_RULE_OUT, USE])
    text = card(clinic, ligament(clinic))
    assert all(f"- {flag}\n" in text for flag in FIRST_RULE_OUT)
    assert f"\n\n{USE}\n" in text


def test_thirty_people_on_each_side_are_needed(clinic: Audit) -> None:
    assert FEWEST == 30
    for present, absent, is_own in ((30, 30, True), (29, 30, False), (30, 29, False)):
        changed = with_people(clinic, present, absent)
        (first, *_) = lines_of(changed, ligament(changed))
        assert (first.maneuver.code, first.own is not None) == ("lachman", is_own)
        text = card(changed, ligament(changed))
        assert (PUBLISHED in text) is not is_own
        assert (f"ours needs 30 patients with it and 30 without, so far {present} and {absent}" in text) is not is_own


def test_published_ratios_are_the_lowest_and_highest_of_the_catalogue(clinic: Audit) -> None:
    # LR+ 0.68/0.21 = 3.24 to 0.86/0.09 = 9.56; LR- 0.14/0.91 = 0.154 to 0.32/0.79 = 0.405; odds 3/7 before. The study
    # under anesthesia (0.09/0.78) is no part of the range.
    changed = with_people(clinic, 0, 0)
    text = spoken(card(changed, ligament(changed)))
    assert "Lachman test: published, not ours" in text
    assert "positive 3.2–9.6 26–51% 58–80% 76–91% 88–96%" in text
    assert "negative 0.15–0.41 2–4% 6–15% 13–29% 26–49%" in text
    assert "Scholten 2003" in text


def test_a_publication_without_both_figures_gives_no_ratio() -> None:
    def row(sensitivity: float | None, specificity: float | None) -> Published:
        return Published("acl_tear", sensitivity, None, None, specificity, None, None, "a source", "a clinic")

    assert published_ratios([row(0.9, None), row(None, 0.8)]) is None
    assert published_ratios([row(0.9, 1.0)]) is None
    assert published_ratios([row(0.8, 0.8), row(0.9, 0.0)]) == (
        (pytest.approx(4.0), pytest.approx(4.0)),
        (pytest.approx(0.25), pytest.approx(0.25)),
    )


def test_a_publication_without_a_false_alarm_leaves_the_range_without_an_end(clinic: Audit) -> None:
    """LR+ 0.75/0.42 = 1.79 and, at a specificity of 100%, without an end: never 1.8 alone; LR- 0.25/0.58 and 0.80."""
    pairs = [(0.75, 0.58), (0.2, 1.0)]
    rows = [Published("acl_tear", one, None, None, two, None, None, "a source", "a clinic") for one, two in pairs]
    found = published_ratios(rows)
    assert found == ((pytest.approx(0.75 / 0.42), math.inf), (pytest.approx(0.25 / 0.58), pytest.approx(0.8)))
    line = replace(lines_of(clinic, ligament(clinic))[0], own=None, published=found)
    assert line.cells(0, [0.3, 0.5]) == ["1.8 and more", "43% and more", "64% and more"]
    assert line.cells(1, [0.3]) == ["0.43–0.80", "16–26%"]


def test_a_publication_that_examined_otherwise_is_no_part_of_a_range() -> None:
    usual = Published("acl_tear", 0.8, None, None, 0.8, None, None, "a source", "a clinic")
    asleep = replace(usual, sensitivity=0.9, specificity=0.9, apart=True)
    assert published_ratios([usual, asleep]) == published_ratios([usual])
    assert published_span([usual, asleep], "sensitivity") == published_span([usual], "sensitivity")
    assert published_span([asleep], "sensitivity") is None


def test_what_the_page_shows_and_the_card_does_not_yet_is_named(clinic: Audit) -> None:
    changed = with_people(clinic, 24, 55)
    others = [item for item in clinic.maneuvers(ligament(clinic)) if item.code not in clinic.protocol.core]
    assert others
    text = card(changed, ligament(changed))
    for maneuver in others:
        lead = changed.leading.get(("acl_tear", maneuver.code))
        if lead is not None and lead["sensitivity"] is not None and lead["specificity"] is not None:
            assert f"{inside_sentence(maneuver.name)} (24 with it, 55 without)" in text


def test_own_ratios_give_the_probability_by_bayes(clinic: Audit) -> None:
    changed = with_people(clinic, 40, 40)
    (first, *_) = lines_of(changed, ligament(changed))
    assert first.own is not None
    up = first.own[0]
    assert up.value is not None
    for place, before in enumerate(SUSPICIONS):
        odds = before / (1 - before) * up.value
        assert first.cells(0, SUSPICIONS)[1 + place].startswith(f"{100 * odds / (1 + odds):.0f}%\n")
    assert first.cells(0, SUSPICIONS)[0] == up.pair


def test_it_shows_the_leading_ratios_and_nothing_of_verified_knees(clinic: Audit) -> None:
    changed = with_people(clinic, 40, 40)
    (first, *_) = lines_of(changed, ligament(changed))
    row = clinic.leading["acl_tear", "lachman"]
    assert first.own is not None
    assert [estimate.value for estimate in first.own] == [row["lr_positive"], row["lr_negative"]]
    text = card(changed, ligament(changed))
    assert LEADING in text
    assert spoken(text).index("A teaching aid") < spoken(text).index("First rule out")


def test_withheld_ratios_are_replaced_by_published_ones_with_the_reason(clinic: Audit) -> None:
    changed = with_people(clinic, 40, 40)
    named = pl.when(condition="acl_tear", maneuver="lachman", group_by="overall")
    table = changed.table("leading")
    hidden = with_table(
        changed,
        "leading",
        table.with_columns(
            named.then(None).otherwise(pl.col("sensitivity")).alias("sensitivity"),
            named.then(pl.lit("Most readings may be wrong.")).otherwise(pl.col("reason")).alias("reason"),
        ),
    )
    text = card(hidden, ligament(hidden))
    assert f"Lachman test: {PUBLISHED}; ours is withheld" in text
    assert "Most readings may be wrong." in text


@pytest.mark.parametrize(
    ("period", "until"),
    [("2026-03", "the end of 2027-03"), ("2026-12", "the end of 2027-12"), ("2027-01", "the end of 2028-01")],
)
def test_it_expires_twelve_months_after_its_last_period(period: str, until: str) -> None:
    assert expiry(period).startswith(until)


def test_ordinals_expire_by_their_number(clinic: Audit) -> None:
    assert expiry("P018") == "12 periods after P018"
    condition = ligament(clinic)
    covered = periods_covered(clinic, condition, lines_of(clinic, condition))
    known = clinic.table("tallies").filter(pl.col("verified") > 0, condition="acl_tear", group_by="period")["group"]
    assert covered == sorted(known.unique())
    text = card(clinic, condition)
    assert f"Exams of {covered[0]} to {covered[-1]}. Expires 12 periods after {covered[-1]}." in text


def test_only_so_many_maneuvers_and_the_core_ones_first(clinic: Audit) -> None:
    for condition in clinic.settled:
        lines = lines_of(clinic, condition)
        core = [item.code for item in clinic.maneuvers(condition) if item.code in clinic.protocol.core]
        assert [line.maneuver.code for line in lines][: len(core)] == core
        assert len(lines) <= max(MOST, len(core))
        assert all(line.own is not None for line in lines[max(len(core), 1) :])


@POPPLER
@pytest.mark.parametrize("size", ["clinic", "young"])
def test_it_is_one_sheet_of_paper(made: Path, tmp_path: Path, size: str) -> None:
    for condition in ("meniscal_tear", "acl_tear"):
        (page,) = render_cards(made / size / "results", tmp_path, condition=condition, formats=("pdf",))
        done = subprocess.run(["pdfinfo", page], capture_output=True, text=True, check=True)
        assert re.search(r"^Pages: +1$", done.stdout, re.M)
        assert "(A4)" in done.stdout


@POPPLER
def test_it_is_one_sheet_however_many_maneuvers_are_core(clinic: Audit, tmp_path: Path) -> None:
    condition = clinic.catalogue.conditions["meniscal_tear"]
    core = [item.code for item in clinic.maneuvers(condition)]
    few = clinic.table("tallies").with_columns(participants_present=pl.lit(3, pl.Int64))
    protocol = {**clinic.results.provenance.protocol, "core": core}
    made = replace(clinic.results.provenance, protocol=protocol, protocol_hash=canonical_hash(protocol))
    Results({**clinic.results.tables, "tallies": few}, made).write(tmp_path / "results")
    (page,) = render_cards(tmp_path / "results", tmp_path, condition="meniscal_tear", formats=("pdf",))
    assert len(core) > MOST
    said = subprocess.run(["pdfinfo", page], capture_output=True, text=True, check=True).stdout
    assert re.search(r"^Pages: +1$", said, re.M)
    text = subprocess.run(["pdftotext", page, "-"], capture_output=True, text=True, check=True).stdout
    assert "No room here for" in text


def test_without_any_exam_it_holds_published_figures_alone(made: Path, tmp_path: Path) -> None:
    (page,) = render_cards(made / "empty" / "results", tmp_path, condition="acl_tear", formats=("html",))
    text = spoken(page.read_text(encoding="utf-8"))
    assert "No exam is on record yet" in text
    assert PUBLISHED in text


def test_what_nothing_settles_has_no_card(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    results = made / "tiny" / "results"
    with pytest.raises(ReportError, match="No test settles this diagnosis"):
        render_cards(results, tmp_path / "out", condition="patellofemoral_pain")
    with pytest.raises(ReportError, match="there is no such condition; use one of acl_tear"):
        render_cards(results, tmp_path / "out", condition="wrist")
    arguments = ["report", "card", "--results", str(results), "--out", str(tmp_path / "out"), "--condition", "wrist"]
    assert main(arguments) != 0
    assert "Traceback" not in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
