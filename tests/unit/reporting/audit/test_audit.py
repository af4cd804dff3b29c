"""The audit report as a reader gets it, of registries of every size."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from examtally.contracts.contract import load_contract
from examtally.errors import ResultsError
from examtally.reporting import render_audit
from examtally.reporting.audit import groups
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.conditions import condition_block
from examtally.reporting.audit.leading import leads
from examtally.reporting.engine.numbers import percent_range
from examtally.reporting.engine.wording import read_wording
from examtally.reporting.monthly.asked import asked_now
from examtally.resources import resource
from examtally.results import Results, read_results

SIZES = ("clinic", "young", "tiny", "empty")


class Text(HTMLParser):
    """Collect what a reader sees, headings apart, and what every picture says."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.alts: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent += tag in ("script", "style")
        if tag == "img":
            self.alts.append(dict(attrs).get("alt") or "")

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.words.append(data)


def page(made: Path, size: str, name: str = "audit-annex") -> str:
    return (made / size / "out" / f"{name}.html").read_text(encoding="utf-8")


def read(made: Path, size: str, name: str = "audit-annex") -> Text:
    text = Text()
    text.feed(page(made, size, name))
    return text


def seen(made: Path, size: str, name: str = "audit-annex") -> str:
    return " ".join(" ".join(read(made, size, name).words).split())


def headings(made: Path, size: str, name: str) -> list[str]:
    found = re.findall(r'<h2(?! id="toc-title")[^>]*>(.*?)</h2>', page(made, size, name), flags=re.S)
    return [" ".join(heading.split()) for heading in found]


@pytest.mark.parametrize("size", SIZES)
def test_the_audit_has_its_parts_in_order_its_marking_and_its_caution(made: Path, size: str) -> None:
    text, wording = seen(made, size, "audit"), read_wording(resource("reports"))
    assert headings(made, size, "audit") == [
        "In short",
        "The figures behind it",
        "Every maneuver of the core conditions",
        *(["How sure this is"] if size == "clinic" else []),  # nothing is sure or unsure without a figure
        "Who was studied",
        "How to read this",
        "Where these figures come from",
    ]
    assert wording.internal.replace("\\", "") in text
    assert wording.caution.replace("\\", "") in text
    assert "A weak figure is no reason to drop a safety check." in text


@pytest.mark.parametrize("size", SIZES)
def test_the_annex_has_its_parts_in_order_its_marking_and_its_caution(made: Path, size: str) -> None:
    text, wording = seen(made, size), read_wording(resource("reports"))
    assert headings(made, size, "audit-annex") == [
        "Who was studied",
        "How accurate is each maneuver",
        "Maneuvers together",
        "Examiners",
        "Do two examiners agree",
        "Learner progress",
        "Stated probabilities",
        "Equivocal, not done, not recorded",
        "Smaller groups",
        "What other choices would change",
        "How the records came in",
        "How to read this",
        "Where these figures come from",
        "References",
    ]
    assert wording.internal.replace("\\", "") in text
    assert wording.caution.replace("\\", "") in text
    assert "A likelihood ratio of 5 turns a suspicion of 30% into 68%" in text


def test_the_first_screen_gives_the_answer_a_picture_and_what_to_do_next(made: Path, clinic: Audit) -> None:
    front = seen(made, "clinic", "audit").split("The figures behind it", 2)[1]
    assert "What to do next" in front
    assert any(
        word in front
        for word in ("rules the injury in", "settles nothing alone", "Moves a suspicion", "Too early to say")
    )
    (alt,) = {alt for alt in read(made, "clinic", "audit").alts if "after a negative finding" in alt}
    for lead in leads(clinic):
        if lead.condition.core and lead.has_ratios:
            assert lead.said("positive") in alt
            assert lead.said("negative") in alt
    assert len(asked_now(clinic)) >= 1


def test_leading_figures_stand_as_the_results_have_them(made: Path, clinic: Audit) -> None:
    text = seen(made, "clinic", "audit")
    shown = [lead for lead in leads(clinic) if lead.row["sensitivity"] is not None]
    assert shown
    for lead in shown:
        assert f"{lead.row['sensitivity']:.0%}" in text
        assert percent_range(lead.row["sensitivity_low"], lead.row["sensitivity_high"]) in text


def test_what_is_withheld_has_its_reason_and_no_figure(made: Path, young: Audit) -> None:
    items = leads(young)
    assert items
    assert not any(lead.has_ratios for lead in items)
    text = seen(made, "young", "audit")
    assert "Too early to say" in text
    assert "Withheld, and why" in text or "too few" in text
    assert "<img" not in page(made, "young", "audit")


def test_simpler_methods_stand_in_a_fold_each_named_for_what_it_aims_at(made: Path) -> None:
    text = seen(made, "clinic", "audit")
    assert "Decide by the leading estimate" in text
    assert "Verified knees only" in text.split("How sure this is", 2)[2]
    assert "Verified knees only" not in text.split("How sure this is", 2)[1]


@pytest.mark.parametrize("size", SIZES)
def test_a_report_is_one_file_that_fetches_nothing(made: Path, size: str) -> None:
    html = page(made, size)
    assert "<link" not in html
    assert not re.findall(r"""(?:src|href)=["'](?!data:|#)""", html)
    assert not re.search(r"https?://(?!www\.w3\.org/)", html)


@pytest.mark.parametrize("size", SIZES)
def test_no_placeholder_of_a_program_reaches_the_reader(made: Path, size: str) -> None:
    assert not re.search(r"\b(None|nan|NaN|inf|null)\b|###|:::|\{=html\}", seen(made, size))


def test_every_figure_has_its_own_words(made: Path) -> None:
    alts = read(made, "clinic").alts
    assert len(alts) > 20
    assert all(len(alt) > 40 for alt in alts)
    assert len(set(alts)) == len(alts)


def test_figures_are_those_of_the_results(made: Path, clinic: Audit) -> None:
    found = clinic.estimate("acl_tear", "lachman", "sensitivity")
    assert found.is_usable
    assert f"{found.number} {found.limits} {found.counts}" in seen(made, "clinic")


def test_unsettled_diagnoses_get_their_sentence_and_no_accuracy(made: Path) -> None:
    text = seen(made, "clinic")
    assert "No test settles this diagnosis. We can say how often two examiners agree, not who is right." in text
    assert 'id="patellofemoral_pain"' not in page(made, "clinic")


def test_nobody_is_named_and_nobody_is_ranked(made: Path) -> None:
    html = page(made, "clinic")
    carried = [
        base64.b64decode(data).decode()
        for data in re.findall(r"data:(?:text|image)[^,]*;base64,([A-Za-z0-9+/=]+)", html)
    ]
    for text in (html, *carried):
        assert not re.search(r"\bEX-\d\d\b", text)
        assert not re.search(r"\bP-\d{5}\b", text)
    part = html[html.index('<section id="examiners"') : html.index('<section id="do-two-examiners-agree"')]
    codes = re.findall(r'<th scope="row">([A-Z]\d)</th>', part.split('id="sites"')[0])
    assert codes == [], "rows of one examiner stand on no page of the group"


def test_roles_with_few_examiners_are_merged(made: Path) -> None:
    html = page(made, "clinic")
    by_role = html[html.index("by role (exploratory)") :][:4000]
    assert "fewer than 3 examiners each" in by_role
    assert "fellow" not in by_role.split("</table>")[0]


def test_under_ten_people_counts_stand_without_an_estimate(young: Audit, made: Path) -> None:
    found = young.estimate("acl_tear", "lachman", "sensitivity")
    assert not found.shown
    assert found.n > 0
    text = seen(made, "young")
    assert found.counts in text
    assert f"{found.value:.0%}" not in text.split("Too early to say", 1)[1].split("Examiners", 1)[0]


def test_every_maneuver_of_a_condition_that_waits_has_its_counts(young: Audit, made: Path) -> None:
    part = seen(made, "young").split("Too early to say", 1)[1].split("Examiners", 1)[0]
    for maneuver in young.maneuvers(load_contract().catalogue.conditions["pcl_tear"]):
        found = young.estimate("pcl_tear", maneuver.code, "specificity")
        assert f"{maneuver.name} too few" in part or f"{maneuver.name} –" in part
        assert found.counts in part


def test_what_the_analysis_says_beside_a_figure_is_passed_on(
    clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    here = pl.col("group_by") == "overall", pl.col("maneuver") == "lachman", pl.col("measure") == "lr_positive"
    said = "No knee without the condition had a positive finding: the ratio is infinite."
    noted = pl.when(*here).then(pl.lit(said)).otherwise(pl.col("note")).alias("note")
    tables = {**clinic.results.tables, "accuracy": clinic.results.accuracy.with_columns(noted)}
    block = condition_block(replace(clinic, results=Results(tables, clinic.results.provenance)), clinic.reportable[0])
    assert f"- Lachman test, likelihood ratio if positive: {said}" in block


def test_an_empty_registry_gives_a_short_honest_report(made: Path) -> None:
    assert "The registry holds no exam yet." in seen(made, "empty", "audit")
    assert "<img" not in page(made, "empty")
    assert len(page(made, "empty")) < 0.1 * len(page(made, "clinic"))


def test_three_exams_of_one_examiner_give_short_honest_parts(made: Path) -> None:
    text = seen(made, "tiny").split("Who was studied", 2)[-1]
    assert "Too few verified knees to try other choices." in text
    assert "No knee was examined by two people" in text or "too few people for a figure" in text
    assert "new examiner" not in text


def test_the_source_can_be_executed_again(made: Path) -> None:
    left = made / "clinic" / "source"
    assert (left / "audit.qmd").is_file()
    assert (left / "results" / "manifest.json").is_file()
    assert len(list((left / "fig").glob("before-after-????????.svg"))) == 1


def test_a_folder_that_is_no_results_folder_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match=r"manifest\.json"):
        render_audit(tmp_path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_tables_left_out_of_an_analysis_leave_their_part_empty(made: Path, tmp_path: Path) -> None:
    whole = read_results(made / "young" / "results")
    kept = {name: whole.tables[name] for name in ("flow", "cohort_summary")}
    Results(kept, whole.provenance).write(tmp_path / "results")
    audit, annex = render_audit(tmp_path / "results", tmp_path / "out")
    assert "No leading estimate in these results" in audit.read_text(encoding="utf-8")
    assert "No batch is on record." in annex.read_text(encoding="utf-8")


def test_every_core_condition_of_the_clinic_is_told(clinic: Audit) -> None:
    core = {code for code, condition in load_contract().catalogue.conditions.items() if condition.core}
    assert core <= {condition.code for condition in clinic.reportable}


def test_groups_stand_in_their_declared_order(clinic: Audit) -> None:
    assert clinic.groups("age_band") == ["under_16", "16_25", "26_39", "40_59", "60_over"]
    assert [clinic.group_name("acuity", group) for group in clinic.groups("acuity")] == [
        "acute, up to 21 days",
        "subacute, 22–84 days",
        "chronic, 85 days and over",
    ]
    assert clinic.groups("role")[0] == "attending"


def test_the_main_maneuver_of_a_condition_without_a_core_one_is_meant_for_it_first(clinic: Audit) -> None:
    """A stiff knee speaks of fluid first: however often it is examined, it does not lead for osteoarthritis."""
    often = pl.when(pl.col("maneuver") == "flexion_deficit").then(999).otherwise(pl.col("verified")).alias("verified")
    tables = {**clinic.results.tables, "tallies": clinic.table("tallies").with_columns(often.cast(pl.Int64))}
    changed = replace(clinic, results=Results(tables, clinic.results.provenance))
    worn = clinic.catalogue.conditions["tibiofemoral_osteoarthritis"]
    assert {item.code for item in changed.core_maneuvers(worn)} <= {"bony_enlargement", "tibiofemoral_crepitus"}
    assert changed.tally(worn.code, "flexion_deficit")["verified"] == 999


def test_a_condition_is_not_parted_by_the_column_that_states_it(clinic: Audit) -> None:
    conditions = clinic.catalogue.conditions
    assert "effusion" in groups._groupings(clinic, conditions["acl_tear"])
    assert "effusion" not in groups._groupings(clinic, conditions["knee_effusion"])
