"""The index of a folder of reports and the catalogue of maneuvers: found by name, opened from disk."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.errors import ReportError
from examtally.reporting import render_shelf
from examtally.reporting.audit.audit import Audit
from examtally.reporting.index.listing import sections, shelve
from examtally.reporting.index.maneuvers import at_a_glance
from examtally.resources import resource


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("monthly-P009", "monthly-P010", "monthly-P011", "audit", "intake-1", "release-aaaaaaaa-bbbbbbbb"):
        (tmp_path / f"{name}.html").write_text(f"<html><head><title>A &amp; B {name}</title></head></html>")
    (tmp_path / "audit.pdf").write_bytes(b"%PDF-")
    (tmp_path / "notes.html").write_text("<title>Private notes</title>")
    (tmp_path / "examiners").mkdir()
    (tmp_path / "examiners" / "audit.html").write_text("<title>A person</title>")
    return tmp_path


def test_reports_are_found_by_name_with_their_formats(folder: Path) -> None:
    found = {f"{report.kind}-{report.which}": report for report in shelve(folder)}
    assert set(found) == {
        *("monthly-P009", "monthly-P010", "monthly-P011", "audit-", "intake-1"),
        "release-aaaaaaaa-bbbbbbbb",
    }
    assert set(found["audit-"].files) == {"html", "pdf"}
    assert found["audit-"].title == "A & B audit"


def test_the_audit_stands_first_with_what_it_answers_and_months_newest_first(folder: Path) -> None:
    text = sections(shelve(folder))
    months = [f"monthly-{period}.html" for period in ("P011", "P010", "P009")]
    places = [text.index(name) for name in ("Start here.", "what to do next", "audit.html", *months)]
    assert places == sorted(places)
    assert text.count("Start here") == 1
    assert '<a href="audit.html">A &amp; B audit</a>, <a href="audit.pdf">PDF' in text
    assert "Private notes" not in text
    assert "A person" not in text
    assert "A &amp; B" in text


def test_in_a_project_stand_the_pages_of_its_site_and_no_private_one(tmp_path: Path) -> None:
    shutil.copy(resource("reports") / "_quarto-site.yml", tmp_path)
    for name in ("index", "audit", "condition", "condition-one", "monthly-P002", "monthly-P010", "examiner", "lead"):
        (tmp_path / f"{name}.qmd").write_text(f"---\ntitle: Title of {name}\n---\n", encoding="utf-8")
    assert {page.files["html"] for page in shelve(tmp_path)} == {
        "audit.html",
        "condition-one.html",
        "monthly-P002.html",
        "monthly-P010.html",
    }
    text = sections(shelve(tmp_path))
    assert text.index("monthly-P010.html") < text.index("monthly-P002.html")
    assert "Title of condition-one" in text


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    assert "No report lies in this folder yet" in sections(shelve(tmp_path))


@pytest.mark.parametrize("audience", ["internal", "release"])
def test_no_report_goes_into_its_results_folder(made: Path, audience: str, capsys: pytest.CaptureFixture[str]) -> None:
    results = made / "tiny" / "results"
    before = sorted(results.iterdir())
    command = ["report", "audit", "--audience", audience, "--results", str(results), "--out"]
    if audience == "release":
        command[2:2] = ["--registry", str(made / "kept" / "registry.duckdb")]
    for out in (results, results / "reports"):
        assert main([*command, str(out)]) == 8
        assert "no report goes into its results folder" in capsys.readouterr().err
    assert sorted(results.iterdir()) == before


def test_the_command_writes_both_pages_and_their_links_lead_somewhere(made: Path, tmp_path: Path) -> None:
    (tmp_path / "audit.html").write_bytes((made / "clinic" / "out" / "audit.html").read_bytes())
    assert main(["report", "index", "--results", str(made / "clinic" / "results"), "--out", str(tmp_path)]) == 0
    index = (tmp_path / "index.html").read_text(encoding="utf-8")
    links = re.findall(r'href="([^"#:]+)"', index)
    assert set(links) == {"audit.html", "maneuvers.html"}
    page = (tmp_path / "maneuvers.html").read_text(encoding="utf-8")
    assert 'href="index.html"' in page
    for maneuver in load_contract().catalogue.maneuvers.values():
        assert f'id="{maneuver.code}"' in page
    assert "First rule out" in page
    catalogue = load_contract().catalogue.maneuvers.values()
    assert page.count("What others have published (") == sum(bool(each.published) for each in catalogue)
    assert page.count("Why some have no published figure") == 1
    assert all(f'<a href="#{each.code}">' in page for each in catalogue), "the overview leads to every description"
    assert "1: trace" not in page
    assert "no wave; trace: a small wave" in page


def test_the_overview_says_what_each_maneuver_is_worth(clinic: Audit) -> None:
    text = at_a_glance(clinic)
    assert 'class="sortable"' in text
    rows = {row.split("#")[1].split('"')[0]: row for row in text.split("<tr>") if "#" in row}
    assert rows.keys() == clinic.catalogue.maneuvers.keys()
    lead = clinic.leading["acl_tear", "lachman"]
    assert f">{lead['lr_positive']:.1f}<" in rows["lachman"]
    assert "<small>core</small>" in rows["lachman"]
    assert "68–87%" in rows["lachman"], "the study under anesthesia is no part of the range"
    assert "no test settles it" in rows["patellar_grind"]
    assert "safety check" in rows["straight_leg_raise"]
    shown = [float(found) for found in re.findall(r"<td>([0-9.]+)<br /><small>[0-9.]+–[0-9.]+</small></td><td>", text)]
    assert shown == sorted(shown, reverse=True)
    assert len(shown) > 1


def test_a_registry_without_exams_has_its_catalogue_too(made: Path, tmp_path: Path) -> None:
    assert main(["report", "index", "--results", str(made / "empty" / "results"), "--out", str(tmp_path)]) == 0


def test_a_folder_that_is_none_or_holds_results_is_refused(made: Path, tmp_path: Path) -> None:
    results = made / "tiny" / "results"
    before = sorted(results.iterdir())
    for folder, said in ((tmp_path / "none", "there is no such folder"), (results, "this is a results folder")):
        with pytest.raises(ReportError, match=said):
            render_shelf(results, folder)
    assert not (tmp_path / "none").exists()
    assert sorted(results.iterdir()) == before
