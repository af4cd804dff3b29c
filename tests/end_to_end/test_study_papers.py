"""The example studies from the lock to the paper and the bundle; the paper is read back and must agree with itself."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import polars as pl
import polars.selectors as cs
import pytest
import yaml
from study_clinic import make_registry
from word_document import Document, read_document

from examtally.cli.app import main
from examtally.errors import ReportError, StudyError
from examtally.registry.withdrawal import withdraw
from examtally.reporting.engine.numbers import points
from examtally.reporting.manuscript.contrasts import of_one_figure
from examtally.reporting.manuscript.flow import flow_of, flow_words
from examtally.reporting.manuscript.joint import joint_words, joints_of
from examtally.reporting.manuscript.paper import Paper, open_paper
from examtally.reporting.manuscript.values import difference_words, how_made, leading
from examtally.resources import resource
from examtally.studies import locking, reproduce, write_bundle
from examtally.studies.bundle import read_bundle

EXAMPLES = Path(__file__).resolve().parents[2] / "docs" / "studies"
NAMES = ("agreement", "paired_by_girth", "single_test", "training_level")
REPEATED = ("training_level", "agreement", "single_test", "severity", "change")
DESIGNS = ["paired_by_girth", *(pytest.param(one, marks=pytest.mark.study) for one in REPEATED)]
AS_DOCX = ("paired_by_girth", "single_test", "training_level")


@pytest.fixture(scope="module", autouse=True)
def _without_rehearsal() -> Iterator[None]:
    """A lock is not rehearsed, which takes seconds; the examples are locked as users do in a file of their own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(locking, "rehearse", lambda *_, **__: None)
        yield


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the registry and, of every example, protocol, lock, results, paper and bundle."""
    root = tmp_path_factory.mktemp("papers")
    registry = str(make_registry(root, people=300))
    for name in NAMES:
        protocol = Path(shutil.copy(EXAMPLES / f"{name}.yaml", root))
        if name == "single_test":  # a subgroup is added after the lock
            whole = protocol.read_text(encoding="utf-8")
            protocol.write_text(whole.replace("subgroups: [sex]", "subgroups: []"), encoding="utf-8")
        else:  # the scenarios take long
            with protocol.open("a", encoding="utf-8") as file:
                file.write("missing: {findings: excluded}\n")
        assert main(["study", "lock", str(protocol), "--registry", registry, "--operator", "OP-1"]) == 0
        if name == "single_test":
            protocol.write_text(whole, encoding="utf-8")
        results, paper = str(root / f"{name}-results"), str(root / f"{name}-paper")
        assert main(["study", "run", str(protocol), "--registry", registry, "--out", results]) == 0
        forms = "docx" if name in AS_DOCX else "html"
        layout = ["--for-review", "--csl", str(_style(root))] if name == "paired_by_girth" else []
        assert main(["study", "report", "--results", results, "--out", paper, "--format", forms, *layout]) == 0
        bundle = ["study", "bundle", "--results", results, "--registry", registry]
        assert main([*bundle, "--out", str(root / f"{name}-bundle")]) == 0
    return root


def _style(folder: Path) -> Path:
    """A citation style of our own: the year in brackets."""
    path = folder / "year.csl"
    path.write_text(STYLE, encoding="utf-8")
    return path


STYLE = """<?xml version="1.0" encoding="utf-8"?>
<style xmlns="http://purl.org/net/xbiblio/csl" class="in-text" version="1.0">
  <info><title>Year</title><id>year</id><updated>2026-01-01T00:00:00+00:00</updated></info>
  <citation><layout prefix="(year " suffix=")" delimiter="; ">
    <date variable="issued"><date-part name="year"/></date></layout></citation>
  <bibliography><layout suffix="."><text variable="title"/></layout></bibliography>
</style>
"""


@pytest.fixture(scope="module")
def single(made: Path) -> Document:
    return read_document(made / "single_test-paper" / "study.docx")


def opened(made: Path, name: str) -> Paper:
    return open_paper(made / f"{name}-results", resource("reports"))


@pytest.mark.parametrize(
    "name", ["single_test", *(pytest.param(one, marks=pytest.mark.study) for one in NAMES if one != "single_test")]
)
def test_a_bundle_run_again_gives_the_same_figures(name: str, made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bundle, registry = str(made / f"{name}-bundle"), str(made / "registry.duckdb")
    assert main(["study", "reproduce", bundle, "--registry", registry]) == 0
    said = capsys.readouterr().out
    held = read_bundle(Path(bundle))
    shown = sum(
        frame.select(cs.numeric() - cs.by_name("level", require_all=False)).width * frame.height
        for frame in (held.release.counts, *held.release.figures.values())
    )
    assert said.startswith(f"{shown} released figures compared (" if shown else "The bundle holds no figure")
    assert ("all as they were" in said) is bool(shown)
    for sentence in held.lacks:
        assert f"Not checked: {sentence}" in said


@pytest.mark.parametrize("name", NAMES)
def test_bundle_paper_and_readme_say_whether_the_primary_result_is_in_it(name: str, made: Path) -> None:
    bundle = read_bundle(made / f"{name}-bundle")
    readme = (made / f"{name}-bundle" / "README.md").read_text(encoding="utf-8")
    assert bundle.carries in readme
    assert bundle.carries.startswith("The bundle lacks a main result" if bundle.lacks else "The primary result is in")
    page = made / f"{name}-paper" / ("study.docx" if name in AS_DOCX else "study.html")
    text = read_document(page).text if name in AS_DOCX else page.read_text(encoding="utf-8")
    assert ("The primary result is in it in released form." in text) is not bool(bundle.lacks)
    assert all(sentence.split(":")[0] in text for sentence in bundle.lacks)


def test_a_bundle_is_described_as_a_crate_and_sealed_with_it(made: Path, tmp_path: Path) -> None:
    folder = made / "single_test-bundle"
    content = json.loads((folder / "ro-crate-metadata.json").read_text(encoding="utf-8"))
    assert content["@context"] == "https://w3id.org/ro/crate/1.1/context"
    graph = {one["@id"]: one for one in content["@graph"]}
    assert len(graph) == len(content["@graph"])
    descriptor, root = graph["ro-crate-metadata.json"], graph["./"]
    assert (descriptor["@type"], descriptor["about"]) == ("CreativeWork", {"@id": "./"})
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}
    assert root["@type"] == "Dataset"
    assert {"name", "description", "datePublished", "license"} <= set(root)
    assert re.fullmatch(r"\d{4}-\d{2}-\d{2}", root["datePublished"])
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    parts = {one["@id"] for one in root["hasPart"]}
    assert parts == there - {"ro-crate-metadata.json", "datapackage.json"}
    assert all(int(graph[path]["contentSize"]) == (folder / path).stat().st_size for path in parts)
    linked = re.findall(r'"@id": "([^"]+)"', json.dumps(content))
    assert {one for one in linked if not one.startswith("https:")} <= set(graph)
    copied = Path(shutil.copytree(folder, tmp_path / "bundle"))
    crate = copied / "ro-crate-metadata.json"
    crate.write_text(crate.read_text(encoding="utf-8").replace("Dataset", "Thing"), encoding="utf-8")
    with pytest.raises(StudyError, match=r"ro-crate-metadata\.json: was changed"):
        read_bundle(copied)


@pytest.mark.parametrize("name", ["single_test", "training_level"])
def test_flow_text_figure_and_tables_of_the_document_agree(name: str, made: Path) -> None:
    paper, document = opened(made, name), read_document(made / f"{name}-paper" / "study.docx")
    (test,) = paper.used_tests()
    flow = flow_of(paper, test)
    told = paper.catalogue.noun.said(flow_words(flow, paper))
    assert told.rstrip(".") in document.text
    assert f"Flow diagram. {told}" in document.pictures
    rows = document.table("Index test")
    assert [row["Index test"].lower() for row in rows] == ["positive", "equivocal", "negative"]
    for row in rows:
        arm = flow.arm(row["Index test"].lower())
        counts = (arm.present, arm.absent, arm.no_reference + arm.inconclusive, arm.exams)
        assert tuple(int(row[name]) for name in ("Present", "Absent", "Not verified", "All")) == counts
        assert f"{arm.result} in {arm.exams}: condition present in {arm.present}" in told or not arm.exams


def test_both_tests_stand_against_each_other_by_condition(made: Path) -> None:
    paper, document = opened(made, "paired_by_girth"), read_document(made / "paired_by_girth-paper" / "study.docx")
    (joint,) = joints_of(paper)
    assert f"Flow diagram. {joint_words(joint)}" in document.pictures
    assert joint_words(joint).rstrip(".") in document.text
    rows = document.table("Positive")
    cells = [(int(row["Positive"]), int(row["Negative"])) for row in rows]
    assert cells[:2] == [
        tuple(joint.cells["present"][a, b] for b in ("positive", "negative")) for a in ("positive", "negative")
    ]
    line = paper.rows(
        "comparisons", group_by="overall", measure="sensitivity", adjustment="none", contrast="difference"
    )[0]
    assert (line["only_a"], line["only_b"]) == (cells[0][1], cells[1][0])
    assert line["n"] == sum(sum(row) for row in cells[:2])


def test_the_primary_difference_is_one_in_abstract_results_figure_and_table(made: Path) -> None:
    paper, document = opened(made, "paired_by_girth"), read_document(made / "paired_by_girth-paper" / "study.docx")
    said = [line for line in document.paragraphs if "Sensitivity was" in line]
    assert [line.startswith("Results. Sensitivity was") for line in said] == [True, False]
    (same, *_) = of_one_figure(paper, "comparisons")
    line = leading(paper, same, "difference")
    assert line is not None
    value = difference_words(line)
    assert all(value.split(" (")[1].rstrip(")") in sentence for sentence in said)
    drawn = next(words for words in document.pictures if words.startswith("Differences, classic Lachman test minus"))
    assert f"Sensitivity, {how_made(line['adjustment'])}: {value}." in paper.catalogue.noun.said(drawn)
    table = document.table("First test")
    assert value in {cell for row in table for cell in row.values()}


def test_groups_stand_side_by_side_with_examiners_flow_and_verification(made: Path) -> None:
    document = read_document(made / "training_level-paper" / "study.docx")
    rows = {row["Role"]: row for row in document.table("Role")}
    assert set(rows) == {"Attending", "Resident"}
    paper = opened(made, "training_level")
    for name, row in rows.items():
        (tally,) = paper.rows("tallies", group_by="role", group=name.lower(), maneuver="lachman_graded")
        assert row["Eligible index exams"] == str(tally["exams"] + tally["not_recorded"])
        assert row["Positive"].startswith(f"{tally['tp'] + tally['fp']} of {tally['positive']}")
        assert row["Examiners"] == "2"
    people = document.table("Characteristic")
    assert people[0]["Resident"] == str(_done(paper, "resident"))
    assert "Descriptive only" in next(line for line in document.paragraphs if line.startswith("Results."))
    assert "descriptive only" in {row["P"] for row in document.table("First group")}


def _done(paper: Paper, group: str) -> int:
    return int(paper.rows("tallies", group_by="role", group=group)[0]["done"])


def test_what_settled_the_condition_adds_up(made: Path, single: Document) -> None:
    paper = opened(made, "single_test")
    told = {item: paper.described(item) for item in ("settled_by", "severity", "reader_knew", "days", "participants")}
    (people,) = told["participants"]
    verified = people["present"] + people["absent"]
    assert sum(line["knees"] for line in told["settled_by"]) == verified
    assert sum(line["knees"] for line in told["reader_knew"]) == verified
    assert sum(line["present"] for line in told["severity"]) == people["present"]
    assert {line["value"] for line in told["days"]} == {10.0}  # MRI is read on day 10 throughout
    assert f"settled by MRI in {verified} of {verified} (100%)" in single.text
    assert "a median of 10 days" in single.text
    assert "partial tear in" in single.text
    assert "medial meniscus tear in" in single.text


def test_estimates_of_text_table_and_figure_are_one(single: Document) -> None:
    crossed = {row["Index test"]: row for row in single.table("Index test")}
    right, wrong = int(crossed["Positive"]["Present"]), int(crossed["Negative"]["Present"])
    whole = single.table("n/N, verified")[0]
    assert whole["Measure"] == "Sensitivity"
    assert whole["n/N, verified"] == f"{right}/{right + wrong}"
    plain = next(cell for head, cell in whole.items() if head.startswith("Verified knees only"))
    led = next(cell for head, cell in whole.items() if head.startswith("Bias-adjusted"))
    assert plain.startswith(f"{round(100 * right / (right + wrong))}%")
    assert led != plain
    said = f"Sensitivity of the lever sign was {led} (bias-adjusted); {plain} in verified knees only"
    assert sum(said in line for line in single.paragraphs) == 2  # abstract and primary result
    assert any(f"Sensitivity: {led}." in words for words in single.pictures)


def test_a_subgroup_added_after_the_lock_is_marked_wherever_it_stands(made: Path, single: Document) -> None:
    rows = single.table("n/N, verified")
    assert {"†" in row["Measure"] for row in rows if "male" in row["Measure"]} == {True}
    assert {"†" in row["Measure"] for row in rows if "male" not in row["Measure"]} == {False}
    assert {"†" in row["Measure"] for row in single.table("First group")} == {True}
    assert any("Sensitivity, female †" in words for words in single.pictures)
    assert single.text.count("† Exploratory: added or changed after the lock.") == 2  # under each table that marks
    assert "All analyses are pre-specified but those marked †" in single.text
    (row,) = single.table("Deviation")
    assert row["Deviation"] == "added after the lock, without an amendment"
    paired = read_document(made / "paired_by_girth-paper" / "study.docx")
    assert "†" not in paired.text
    assert paired.text.count("All analyses are pre-specified.") == 1


def test_participants_add_up_to_the_exams_in_which_the_test_was_done(made: Path, single: Document) -> None:
    done = flow_of(opened(made, "single_test"), "lever").done
    rows = single.table("All knees")
    assert rows[0]["All knees"] == str(done)
    men_and_women = [row for row in rows if row["Characteristic"] in ("Female", "Male")]
    assert sum(int(row["All knees"].split()[0]) for row in men_and_women) == done


def test_counts_that_do_not_add_up_are_refused(made: Path) -> None:
    paper = opened(made, "single_test")
    results = paper.results
    wrong = {**results.tables, "tallies": results.tallies.with_columns(tp=pl.col("tp") + 1)}
    broken = replace(paper, found=replace(paper.found, results=replace(results, tables=wrong)))
    with pytest.raises(ReportError, match="do not add up"):
        flow_of(broken, "lever")


def test_the_paper_has_page_one_checklist_domains_and_references(single: Document) -> None:
    assert "Ethics: determined exempt." in single.text
    checklist = single.table("What it asks")
    assert {re.sub(r"[ab]", "", row["Item"]) for row in checklist} == {str(number) for number in range(1, 31)}
    assert all(row["Where"] for row in checklist)
    assert [row["Domain"] for row in single.table("Domain")] == [
        *("Patient selection", "Index test", "Reference standard", "Flow and timing")
    ]
    assert "Wilson EB. Probable inference" in single.text
    assert "@" not in single.text
    assert "[author to complete]" in single.text


def test_a_document_for_review_has_numbered_lines_double_spacing_and_the_style_asked_for(made: Path) -> None:
    with zipfile.ZipFile(made / "paired_by_girth-paper" / "study.docx") as archive:
        body, styles = (archive.read(f"word/{name}.xml").decode() for name in ("document", "styles"))
        drawn = [name for name in archive.namelist() if name.endswith(".svg")]
    assert 'w:lnNumType w:countBy="1" w:restart="continuous"' in body
    text = re.search(r'w:styleId="BodyText".*?</w:style>', styles, re.S)
    assert text is not None
    assert 'w:line="480"' in text.group()
    assert len(drawn) == body.count("svgBlip ") == 2
    assert "(year 1987)" in read_document(made / "paired_by_girth-paper" / "study.docx").text
    with zipfile.ZipFile(made / "single_test-paper" / "study.docx") as archive:
        assert "lnNumType" not in archive.read("word/document.xml").decode()


def test_what_is_not_stated_is_said_on_page_one(made: Path) -> None:
    page = (made / "agreement-paper" / "study.html").read_text(encoding="utf-8")
    first = page[: page.index("Abstract</h")]
    assert "not stated" in first
    assert "does not apply: no reference standard" in page


def test_a_protocol_changed_after_the_lock_is_caught(made: Path, tmp_path: Path) -> None:
    for name in ("training_level.yaml", "training_level.lock.json"):
        shutil.copy(made / name, tmp_path)
    protocol = tmp_path / "training_level.yaml"
    text = protocol.read_text(encoding="utf-8").replace("grade_at_least: 1", "grade_at_least: 2")
    protocol.write_text(text, encoding="utf-8")
    run = ["study", "run", str(protocol), "--registry", str(made / "registry.duckdb"), "--out", str(tmp_path / "out")]
    assert main(run) == StudyError.exit_code
    assert not (tmp_path / "out").exists()


def test_a_bundle_is_a_data_package_without_persons(made: Path) -> None:
    folder = made / "agreement-bundle"
    package = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    listed = {one["path"] for one in package["resources"]}
    assert listed == {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} - {
        "datapackage.json"
    }
    assert {"study.yaml", "study.lock.json", "reproduce.py", "requirements.txt", "data/counts.csv"} <= listed
    for one in package["resources"]:
        assert one["hash"].startswith("sha256:")
        if one["path"].endswith(".csv"):
            header = (folder / one["path"]).read_text(encoding="utf-8").splitlines()[0]
            assert [field["name"] for field in one["schema"]["fields"]] == header.split(",")
    assert "licenses" not in package
    whole = "".join(path.read_text(encoding="utf-8") for path in folder.rglob("*") if path.is_file())
    assert not re.search(r"\b(EM|PT|OP|EX)-\d", whole)
    assert yaml.safe_load((folder / "study.yaml").read_text(encoding="utf-8"))["study"] == "joint_line_agreement"
    log = made / "agreement-bundle-disclosure-log.csv"
    assert log.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("name", "said"),
    [("data/agreement.csv", "was changed"), ("study.yaml", "was changed"), ("extra.csv", "does not belong")],
)
def test_a_bundle_that_was_tampered_with_is_caught(name: str, said: str, made: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(made / "agreement-bundle", tmp_path / "bundle"))
    with (folder / name).open("a", encoding="utf-8") as file:
        file.write("\n")
    with pytest.raises(StudyError, match=said):
        reproduce(folder, made / "registry.duckdb")


def test_a_bundle_is_not_written_over(made: Path) -> None:
    with pytest.raises(StudyError, match="is there already"):
        write_bundle(made / "agreement-results", made / "agreement-bundle", registry=made / "registry.duckdb")


@pytest.fixture
def without_one(made: Path, tmp_path: Path) -> Path:
    registry = Path(shutil.copy(made / "registry.duckdb", tmp_path))
    withdraw(registry, "PT-1", erase=True)
    return registry


def test_a_withdrawn_person_explains_a_difference(made: Path, without_one: Path) -> None:
    found = reproduce(made / "agreement-bundle", without_one)
    assert not found.is_same
    assert not found.same_records
    assert found.since == {"erase": 1}
    assert "1 person was erased after a withdrawal" in found.text()


def test_the_script_in_the_bundle_says_the_same(made: Path, without_one: Path) -> None:
    script = [sys.executable, str(made / "agreement-bundle" / "reproduce.py"), str(without_one)]
    done = subprocess.run(script, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "1 person was erased after a withdrawal" in done.stdout


def test_another_registry_is_refused(made: Path, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="log"):
        reproduce(made / "agreement-bundle", make_registry(tmp_path, people=5))


def test_a_registry_of_one_person_gives_a_short_paper(tmp_path: Path) -> None:
    registry, protocol = make_registry(tmp_path, people=1), tmp_path / "study.yaml"
    shutil.copy(EXAMPLES / "agreement.yaml", protocol)
    results, at = tmp_path / "results", ["--registry", str(registry)]
    assert main(["study", "run", str(protocol), *at, "--out", str(results)]) == 0
    assert main(["study", "report", "--results", str(results), "--out", str(tmp_path)]) == 0
    page = (tmp_path / "study.html").read_text(encoding="utf-8")
    assert "every analysis in this manuscript is exploratory" in page
    assert "too few to estimate" in page


@pytest.mark.parametrize("name", DESIGNS)
def test_a_draft_of_its_kind_goes_from_new_to_bundle(
    name: str, made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    registry = Path(shutil.copy(made / "registry.duckdb", tmp_path))
    protocol, results, bundle = tmp_path / "draft.yaml", tmp_path / "results", tmp_path / "bundle"
    assert main(["study", "new", "--out", str(protocol), *_answers(name)]) == 0
    protocol.write_text(_filled_in(protocol.read_text(encoding="utf-8")), encoding="utf-8")
    at = ["--registry", str(registry)]
    assert main(["study", "check", str(protocol)]) == 0
    assert main(["study", "lock", str(protocol), *at]) == 0
    assert main(["study", "run", str(protocol), *at, "--out", str(results)]) == 0
    assert main(["study", "bundle", "--results", str(results), *at, "--out", str(bundle)]) == 0
    assert (bundle / "datapackage.json").is_file()
    said = capsys.readouterr()
    named = re.findall(r"Next: examtally study (\w+)", said.out)
    assert named == ["check", "plan", "run", "report", "reproduce"]
    assert ("would help: " in said.err) is bool(read_bundle(bundle).lacks)


def _answers(name: str) -> list[str]:
    kinds = {
        "agreement": "agreement",
        "paired_by_girth": "paired",
        "training_level": "by_group",
        "severity": "by_group",
    }
    kind = kinds.get(name, "accuracy")
    tests = "lachman,drop_leg_lachman" if kind == "paired" else "lachman"
    given = {"code": f"new_{kind}", "title": "A draft", "question": "Which is better?", "hypothesis": "The second."}
    given |= {"kind": kind, "tests": tests, "purpose": "teaching"}
    given |= {"condition": "acl_tear"} if kind != "agreement" else {}
    given |= {"group-by": "role", "groups": "resident,attending"} if kind == "by_group" else {}
    given |= {"group-by": "severity", "groups": "complete,partial"} if name == "severity" else {}
    given |= dict.fromkeys(("expected", "smallest", "determination", "learners-covered", "data-use-agreement"), "later")
    if kind != "agreement":
        given |= {"measure": "sensitivity" if name == "severity" else "both", "examiner": "later", "reader": "later"}
    blind = {"between-tests": "In fixed order.", "examiner": "known_excluded", "reader": "any"}
    given |= blind if kind == "paired" else {}
    return [part for key, value in given.items() for part in (f"--{key}", value)]


def _filled_in(draft: str) -> str:
    """The draft with the lines that wait for the author taken as they stand."""
    blocks = draft.split("\n\n")
    taken = [
        re.sub(r"^# (?=blinding:|planned_size:|  )", "", block, flags=re.M)
        if re.search(r"^# (blinding|planned_size):", block, re.M)
        else block
        for block in blocks
    ]
    return "\n\n".join(taken) + "\nmissing: {findings: excluded}\n"


def test_groups_of_examiners_are_compared_in_several_ways_and_adjusted_for_case_mix(made: Path) -> None:
    document = read_document(made / "training_level-paper" / "study.docx")
    ways = document.table("Method")
    assert {row["Method"] for row in ways} >= {
        *("t distribution, examiners as clusters", "Permutation of examiners", "Adjusted for case mix"),
    }
    assert all(row["P"] in ("descriptive only", "–", row["Method"]) for row in ways)
    assert len({row["Knees"] for row in document.table("Standardized difference")}) > 4
    (row, *_) = opened(made, "training_level").rows("study_group_comparisons", method="case_mix", measure="specificity")
    assert f"was {points(row['difference'])} (" in document.text[document.text.index("Adjusted for ") :]
