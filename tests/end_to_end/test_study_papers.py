"""The example studies from the lock to the paper and the bundle; the paper is read back and must agree with itself."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
import yaml
from study_clinic import make_registry
from word_document import Document, read_document

from examtally.cli.app import main
from examtally.errors import ReportError, StudyError
from examtally.registry.withdrawal import withdraw
from examtally.reporting.manuscript.flow import Arm, Flow, flow_of
from examtally.reporting.manuscript.paper import Paper, open_paper
from examtally.resources import resource
from examtally.studies import locking, reproduce, write_bundle

EXAMPLES = Path(__file__).resolve().parents[2] / "docs" / "studies"
NAMES = ("agreement", "paired_by_girth", "single_test", "training_level")
AS_DOCX = ("paired_by_girth", "single_test")


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
        assert main(["study", "report", "--results", results, "--out", paper, "--format", forms]) == 0
        bundle = ["study", "bundle", "--results", results, "--registry", registry]
        assert main([*bundle, "--out", str(root / f"{name}-bundle")]) == 0
    return root


@pytest.fixture(scope="module")
def single(made: Path) -> Document:
    return read_document(made / "single_test-paper" / "study.docx")


def opened(made: Path, name: str) -> Paper:
    return open_paper(made / f"{name}-results", resource("reports"))


@pytest.mark.parametrize("name", NAMES)
def test_a_bundle_run_again_gives_the_same_figures(name: str, made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bundle, registry = str(made / f"{name}-bundle"), str(made / "registry.duckdb")
    assert main(["study", "reproduce", bundle, "--registry", registry]) == 0
    assert "all as they were" in capsys.readouterr().out


@pytest.mark.parametrize("name", AS_DOCX)
def test_flow_text_figure_and_tables_of_the_document_agree(name: str, made: Path) -> None:
    paper, document = opened(made, name), read_document(made / f"{name}-paper" / "study.docx")
    crossed = document.table("Index test")
    flows = [flow_of(paper, test) for test in paper.used_tests()]
    told = [line for line in document.paragraphs if line.startswith("Of ") and "exams of the registry" in line]
    drawn = [words for words in document.pictures if words.startswith("Flow diagram.")]
    assert len(told) == len(drawn) == len(flows)
    for place, flow in enumerate(flows):
        assert drawn[place] == f"Flow diagram. {told[place]}"
        rows = crossed[3 * place : 3 * place + 3]
        assert [row["Index test"].lower() for row in rows] == [arm.result for arm in _in_table_order(flow)]
        for row, arm in zip(rows, _in_table_order(flow), strict=True):
            counts = (arm.present, arm.absent, arm.no_reference + arm.inconclusive, arm.exams)
            assert tuple(int(row[name]) for name in ("Present", "Absent", "Not settled", "All")) == counts
            assert (
                f"{arm.result} in {arm.exams}: condition present in {arm.present}, absent in {arm.absent}"
                in told[place]
            )
        assert f"holds {flow.analyzed} knees" in told[place]


def _in_table_order(flow: Flow) -> list[Arm]:
    return [flow.arm(result) for result in ("positive", "equivocal", "negative")]


def test_estimates_of_text_table_and_figure_come_from_the_cross_tabulation(single: Document) -> None:
    crossed = {row["Index test"]: row for row in single.table("Index test")}
    right, wrong = int(crossed["Positive"]["Present"]), int(crossed["Negative"]["Present"])
    whole = single.table("Events of knees")[0]
    assert whole["Measure"] == "Sensitivity everybody"
    assert whole["Events of knees"] == f"{right} of {right + wrong}"
    value = next(cell for head, cell in whole.items() if head.startswith("Estimate"))
    assert value.startswith(f"{round(100 * right / (right + wrong))}%")
    assert (
        f"Sensitivity of Lever sign, in verified knees only, was {value}, {right} of {right + wrong} (pre-specified)."
        in single.text
    )
    led = [row for row in single.table("Events of knees") if row["Knees"].startswith("all eligible")]
    assert led, "the figure shows the leading estimate, which stands in the table too"
    drawn = next(cell for head, cell in led[0].items() if head.startswith("Estimate"))
    assert led[0]["Measure"] == "Sensitivity everybody"
    assert drawn != value
    assert any(f"sensitivity; pre-specified: {drawn}." in words for words in single.pictures)


def test_a_subgroup_added_after_the_lock_is_exploratory_in_text_table_and_figure(single: Document) -> None:
    by_sex = [row for row in single.table("Events of knees") if "sex:" in row["Measure"]]
    assert {row["Status"] for row in by_sex} == {"exploratory"}
    assert {row["Status"] for row in single.table("Events of knees") if "everybody" in row["Measure"]} == {
        "pre-specified"
    }
    assert {row["Status"] for row in single.table("P of interaction")} == {"exploratory"}
    assert "female against male (exploratory)" in single.text
    assert any("sensitivity, female; exploratory" in words for words in single.pictures)
    (row,) = single.table("Deviation")
    assert row["Deviation"] == "added after the lock, without an amendment"


def test_participants_add_up_to_the_exams_in_which_the_test_was_done(made: Path, single: Document) -> None:
    done = flow_of(opened(made, "single_test"), "lever").done
    rows = single.table("All knees")
    assert rows[0]["All knees"] == str(done)
    men_and_women = [row for row in rows if row["Group"] in ("Female", "Male")]
    assert sum(int(row["All knees"].split()[0]) for row in men_and_women) == done
    assert {row["Status"] for row in rows} == {"pre-specified"}


def test_counts_that_do_not_add_up_are_refused(made: Path) -> None:
    paper = opened(made, "single_test")
    results = paper.results
    wrong = {**results.tables, "tallies": results.tallies.with_columns(tp=pl.col("tp") + 1)}
    broken = replace(paper, found=replace(paper.found, results=replace(results, tables=wrong)))
    with pytest.raises(ReportError, match="do not add up"):
        flow_of(broken, "lever")


def test_the_paper_has_page_one_checklist_domains_and_references(single: Document) -> None:
    governance = {row["Governance"]: row["As stated in the protocol"] for row in single.table("Governance")}
    assert governance["Determination"] == "exempt"
    checklist = single.table("What it asks")
    assert {re.sub(r"[ab]", "", row["Item"]) for row in checklist} == {str(number) for number in range(1, 31)}
    assert all(row["Where"] for row in checklist)
    assert [row["Domain"] for row in single.table("Domain")] == [
        *("Patient selection", "Index test", "Reference standard", "Flow and timing")
    ]
    assert "Wilson EB. Probable inference" in single.text
    assert "@" not in single.text
    assert "[author to complete]" in single.text


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


@pytest.mark.parametrize("name", NAMES)
def test_a_draft_of_its_kind_goes_from_new_to_bundle(name: str, made: Path, tmp_path: Path) -> None:
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


def _answers(name: str) -> list[str]:
    kind = {"agreement": "agreement", "paired_by_girth": "paired", "training_level": "by_group"}.get(name, "accuracy")
    tests = "lachman,drop_leg_lachman" if kind == "paired" else "lachman"
    given = {"code": f"new_{kind}", "title": "A draft", "question": "Which is better?", "hypothesis": "The second."}
    given |= {"kind": kind, "tests": tests, "purpose": "teaching"}
    given |= {"condition": "acl_tear"} if kind != "agreement" else {}
    given |= {"group-by": "role"} if kind == "by_group" else {}
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
