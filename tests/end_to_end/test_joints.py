"""Another joint, defined only beside the tests, goes all the way; several joints of one person stay apart."""

from __future__ import annotations

import html
import re
import shutil
import subprocess
import sys
from base64 import b64decode
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from examtally.contracts.contract import load_contract
from examtally.contracts.dictionary.dictionary import render_dictionary
from examtally.errors import RegistryError, ResultsError
from examtally.ingestion import check, ingest
from examtally.registry import open_registry
from examtally.reporting import render_audit
from examtally.results import Results, analyze
from examtally.synthesis import synthesize

ELBOW = Path(__file__).resolve().parents[1] / "support" / "elbow"
CATALOGUE = ELBOW / "elbow.yaml"
TABLES = ("cohort_summary", "flow", "tallies", "accuracy", "agreement")


def _analyzed(registry: Path, joint: str | None = None) -> Results:
    with open_registry(registry) as opened:
        return analyze(opened, None if joint is None else {"joint": joint}, only=TABLES)


@pytest.fixture(scope="module")
def clinics(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of two joints of the same people: `knee/`, `elbow/` with codes of its own, and registries of each."""
    folder = tmp_path_factory.mktemp("joints")
    synthesize(folder / "k", scenario=Path("small"), exams=120)
    synthesize(folder / "e", scenario=ELBOW / "elbow_clinic.yaml", exams=120)
    shutil.copytree(folder / "k" / "records", folder / "knee")
    (folder / "elbow").mkdir()
    people = pl.read_csv(folder / "knee" / "participants.csv", infer_schema=False)["participant_id"]
    for file in (folder / "e" / "records").glob("*.csv"):
        frame = pl.read_csv(file, infer_schema=False)
        if file.stem == "participants":
            continue  # the same people
        for column, own in (("exam_id", "Y"), ("reference_id", "U")):
            if column in frame.columns:
                frame = frame.with_columns((own + pl.col(column).str.slice(1)).alias(column))
        if "participant_id" in frame.columns:
            frame = frame.filter(pl.col("participant_id").is_in(people.to_list()))
        if "exam_id" in frame.columns and file.stem != "exams":
            exams = pl.read_csv(folder / "e" / "records" / "exams.csv", infer_schema=False)
            kept = exams.filter(pl.col("participant_id").is_in(people.to_list()))["exam_id"]
            frame = frame.filter(pl.col("exam_id").is_in(("Y" + kept.str.slice(1)).to_list()))
        frame.write_csv(folder / "elbow" / file.name)
    shared = [folder / "knee" / "participants.csv", folder / "knee" / "examiners.csv"]
    own = [path for path in (folder / "elbow").glob("*.csv") if path.stem != "examiners"]
    ingest([folder / "knee"], folder / "knee.duckdb")
    ingest([*shared, *own], folder / "elbow.duckdb", catalogue=CATALOGUE)
    ingest([folder / "knee"], folder / "both.duckdb")
    ingest(own, folder / "both.duckdb", catalogue=CATALOGUE)
    return folder


@pytest.mark.parametrize("joint", [pytest.param("knee", marks=pytest.mark.study), "elbow"])
def test_one_registry_of_two_joints_gives_for_each_what_two_registries_give(clinics: Path, joint: str) -> None:
    alone, together = _analyzed(clinics / f"{joint}.duckdb"), _analyzed(clinics / "both.duckdb", joint)
    for name in TABLES:
        assert alone.tables[name].height
        assert_frame_equal(alone.tables[name], together.tables[name])


def test_several_joints_and_none_named_is_an_error_that_lists_them(clinics: Path) -> None:
    with pytest.raises(RegistryError, match=r"^the registry holds 2 joints \(elbow, knee\); name one"):
        _analyzed(clinics / "both.duckdb")


def test_records_of_one_joint_never_count_as_another(clinics: Path, tmp_path: Path) -> None:
    """Elbow records in a registry of knees, the joint not named: no line of theirs is stored as a knee's."""
    exams = pl.read_csv(clinics / "elbow" / "exams.csv", infer_schema=False).drop("joint", "other_elbow")
    exams.drop("carry_deg", "swelling").with_columns(pl.lit(None).alias("mechanism")).write_csv(tmp_path / "exams.csv")
    findings = pl.read_csv(clinics / "elbow" / "findings.csv", infer_schema=False)
    findings.drop("bend_deg").write_csv(tmp_path / "findings.csv")
    found = check([tmp_path], clinics / "knee.duckdb")
    stored = {one.table: one.stored for one in found.tables}
    assert stored["findings"] == 0


def test_a_finding_of_the_wrong_joint_is_held_back_where_both_are_known(clinics: Path, tmp_path: Path) -> None:
    registry = tmp_path / "both.duckdb"
    shutil.copy(clinics / "both.duckdb", registry)
    with duckdb.connect(str(registry), read_only=True) as con:
        ((elbow,),) = con.execute("select min(exam_id) from exams where joint = 'elbow'").fetchall()
        ((knee,),) = con.execute("select min(exam_id) from exams where joint = 'knee'").fetchall()
    lines = [f"{elbow},ober,negative", f"{knee},swing,negative"]
    (tmp_path / "findings.csv").write_text("exam_id,maneuver,result\n" + "\n".join(lines) + "\n", encoding="utf-8")
    found = check([tmp_path / "findings.csv"], registry, catalogue=CATALOGUE)
    assert [(one.rule, one.lines) for one in found.held_back] == [("findings.maneuver.enum", 2)]


def test_codes_that_the_catalogue_at_hand_lacks_are_named_and_nothing_is_analyzed(
    clinics: Path, tmp_path: Path
) -> None:
    text = CATALOGUE.read_text(encoding="utf-8").replace("  swing:\n", "  swung:\n")
    (tmp_path / "elbow.yaml").write_text(text, encoding="utf-8")
    protocol = tmp_path / "protocol.yaml"
    protocol.write_text("catalogue: elbow.yaml\n", encoding="utf-8")
    with (
        open_registry(clinics / "elbow.duckdb") as opened,
        pytest.raises(ResultsError, match=r"lacks \(findings.maneuver: swing\); name the catalogue"),
    ):
        analyze(opened, protocol, only=TABLES)


def test_results_and_registry_say_which_catalogue_made_them(clinics: Path) -> None:
    own = load_contract(file=CATALOGUE).catalogue
    results = _analyzed(clinics / "elbow.duckdb")
    assert results.provenance.catalogue["hash"] == own.hash
    assert results.provenance.protocol["catalogue"] == own.hash
    assert results.contract.catalogue.maneuvers.keys() == own.maneuvers.keys()
    with duckdb.connect(str(clinics / "both.duckdb"), read_only=True) as con:
        kept = con.execute("select joint, hash from catalogues order by all").fetchall()
    assert kept == [("elbow", own.hash), ("knee", load_contract().catalogue.hash)]


def test_the_dictionary_of_another_joint_speaks_of_it() -> None:
    text = render_dictionary("exams", contract=load_contract(file=CATALOGUE))
    assert "knee" not in text.lower()
    assert "other_elbow" in text
    assert "carry_deg" in text


def _words(page: Path) -> str:
    """What a reader sees of a page: its text, the words of its figures and what stands for them."""
    text = page.read_text(encoding="utf-8")
    figures = [b64decode(one).decode() for one in re.findall(r"data:image/svg\+xml;base64,([^\"]+)\"", text)]
    shown = re.sub(r"(?s)<(style|script).*?</\1>|data:[^\"]*", "", " ".join([text, *figures]))
    return html.unescape(shown)


def test_pages_of_another_joint_speak_of_it_alone(clinics: Path, tmp_path: Path) -> None:
    with open_registry(clinics / "elbow.duckdb") as opened:
        analyze(opened).write(tmp_path / "results")
    for page in render_audit(tmp_path / "results", tmp_path / "pages"):
        shown = _words(page)
        assert "elbow" in shown
        assert not re.search(r"(?i)\bknees?\b|«", shown)
    title = re.search("<title>(.*)</title>", (tmp_path / "pages" / "audit.html").read_text(encoding="utf-8"))
    assert title is not None
    assert title[1] == "Elbow: how accurate is the exam in our own hands?"


def _run(*words: object) -> str:
    """What a command says; it must end well or, of a study that is not ready, with 11."""
    done = subprocess.run(
        [sys.executable, "-m", "examtally.cli", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode in (0, 11), done.stderr
    return done.stdout + done.stderr


@pytest.mark.study
def test_another_joint_goes_through_every_command(tmp_path: Path) -> None:
    """No message, page, drop-down or heading of it says knee; codes and keys of the contract stay as they are."""
    synthesize(tmp_path / "clinic", scenario=ELBOW / "elbow_clinic.yaml", exams=900)
    registry, results, pages = tmp_path / "elbow.duckdb", tmp_path / "results", tmp_path / "pages"
    own, of_results, kept = ("--catalogue", CATALOGUE), ("--results", results), ("--registry", registry)
    study, ran = tmp_path / "study.yaml", tmp_path / "ran"
    said = [
        _run("ingest", tmp_path / "clinic" / "records", *kept, "--operator", "OP-1", *own),
        _run("analyze", *kept, "--out", results, "--with-examiners"),
        *(
            _run("report", one, *of_results, "--out", pages)
            for one in ("audit", "actions", "change", "condition", "card", "supervisor", "intake", "index")
        ),
        _run("report", "monthly", *of_results, "--out", pages, "--period", "P012"),
        *(_run("report", one, *of_results, "--out", tmp_path / "private") for one in ("lead", "examiner")),
        _run("form", *own, "--out", tmp_path / "form.html"),
        _run("workbook", *own, "--out", tmp_path / "book.xlsx"),
        _run(
            "agree",
            "pack",
            *own,
            "--out",
            tmp_path / "pack",
            "--maneuvers",
            "swing",
            "--examiners",
            3,
            "--participants",
            4,
        ),
        _run("teach", *kept, "--out", tmp_path / "teach", "--approved-by", "committee", "--because", "course"),
        _run("site", "summary", *of_results, *kept, "--out", tmp_path / "site.json", "--site", "S-01"),
        _run(
            *(
                "study",
                "new",
                "--out",
                study,
                *own,
                "--code",
                "swing_alone",
                "--title",
                "Swing",
                "--question",
                "How well?",
            ),
            *("--hypothesis", "Well.", "--kind", "accuracy", "--tests", "swing", "--condition", "outer_tendon_tear"),
            *("--measure", "both", "--expected", "0.8,0.9", "--smallest", "0.1", "--purpose", "quality_improvement"),
            *("--examiner", "known_excluded", "--reader", "any", "--determination", "not_research"),
            *("--learners-covered", "yes", "--data-use-agreement", "not_needed"),
        ),
        _run("study", "check", study, *kept),
        _run("study", "run", study, *kept, "--out", ran),
        _run("study", "report", "--results", ran, "--out", pages, "--format", "html"),
        _run("study", "bundle", "--results", ran, *kept, "--out", tmp_path / "bundle"),
        _run("study", "reproduce", tmp_path / "bundle", *kept),
    ]
    word = re.compile(r"(?i)(?<![\w._])knees?(?![\w_])|«")
    assert not [line for text in said for line in text.splitlines() if word.search(line)]
    made = [path for path in tmp_path.rglob("*.html") if "clinic" not in path.parts]
    assert len(made) > 15
    assert {path.name for path in made if word.search(_words(path))} == set()
    assert not [path for path in tmp_path.rglob("*knee*") if "clinic" not in path.parts]


def test_later_records_come_under_the_catalogue_that_the_registry_keeps(clinics: Path, tmp_path: Path) -> None:
    """A month later nobody names the group's own catalogue: nothing is held back, and an analysis goes on."""
    registry = Path(shutil.copy(clinics / "elbow.duckdb", tmp_path))
    found = ingest([clinics / "elbow"], registry)
    assert not found.held_back
    assert {one.table: one.unchanged for one in found.tables if one.lines} == {
        one.table: one.lines for one in found.tables if one.lines
    }
    assert _analyzed(registry).contract.catalogue.hash == load_contract(file=CATALOGUE).catalogue.hash
