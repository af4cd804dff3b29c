"""Every command that writes, with a folder of what they read, to be stopped at any moment and asked what is left."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl
from clinic_export import write_export
from records import exam, send, state, write_csv
from study_clinic import make_registry

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import canonical_hash, load_protocol
from examtally.contracts.results import conform, result_tables
from examtally.deidentification import make_key
from examtally.disclosure.site_summary import write_summary
from examtally.ingestion import batch
from examtally.registry import open_registry
from examtally.registry.accounts import list_log
from examtally.reporting import render_monthly
from examtally.results import analyze, read_results
from examtally.results.pooled import pooled_results
from examtally.studies import run
from examtally.studies.locking import lock
from examtally.synthesis import synthesize

SMALL = Path("small")  # counts what is true of it in fewer people than the built-in clinic
STUDY = """
study: lachman_accuracy
title: Accuracy of the Lachman test
question: How accurate is the Lachman test?
hypotheses: [The sensitivity of the Lachman test is at least 0.70.]
population: [{column: participants.age_years, is: at_least, value: 16}]
tests: {lachman_test: {title: Lachman test, rule: {maneuver: lachman}}}
target: {condition: acl_tear}
blinding: {examiner: known_excluded, reader: any}
primary: [{name: accuracy, kind: accuracy, tests: [lachman_test], measures: [sensitivity, specificity]}]
missing: {findings: excluded}
planned_size: {aim: half_width, sensitivity: 0.8, specificity: 0.8, half_width: 0.1}
governance: {purpose: quality_improvement, determination: not_research}
"""
SETTINGS = """
registry = "../registry.duckdb"
results = "results"
reports = "pages"
[sources.other]
files = "inbox/*.csv"
"""
READINGS = "examiner_id,participant_id,side,maneuver,result,measure,grade\n"
REGISTRY, RESULTS, OUT = ("--registry", "registry.duckdb"), ("--results", "results"), ("--out", "out")
APPROVAL = ("--approved-by", "audit committee", "--because", "a spring course")


_SHEET = "openpyxl."  # its sheet of an empty workbook, which it removes when the program ends


@dataclass(frozen=True)
class Command:
    """The words of a command and what holds for it.

    `writes` are the places below its folder that it writes, `at` the folder that it is called in. A `whole` one puts
    everything in place at once, one that runs `once` says no to a second time, and what is `drawn` differs every time.
    `registry` is the one it reads or changes.
    """

    words: tuple[str, ...]
    writes: tuple[str, ...] = ("out",)
    at: str = "."
    whole: bool = False
    once: bool = False
    drawn: bool = False
    registry: str = "registry.duckdb"

    @property
    def may_change_records(self) -> bool:
        """Whether it stores, changes or removes records."""
        return self.words[0] in ("ingest", "withdraw", "undo", "retry", "feed", "month")


def _page(kind: str, *more: str, drawn: bool = False) -> Command:
    return Command(("report", kind, *RESULTS, *OUT, *more), drawn=drawn)


COMMANDS: Mapping[str, Command] = {
    "ingest": Command(("ingest", "more", *REGISTRY), ()),
    "ingest tables": Command(("ingest", "more", *REGISTRY, "--to", "out")),
    "withdraw": Command(("withdraw", "PERSON", "--erase", *REGISTRY), ()),
    "stop": Command(("withdraw", "PERSON", "--stop", *REGISTRY), ()),
    "undo": Command(("undo", *REGISTRY), ()),
    "retry": Command(("retry", "more", *REGISTRY), (), once=True),
    "review": Command(("review", "--period", "P001", *REGISTRY), ()),
    "feed": Command(("feed", *REGISTRY[:1], "../registry.duckdb"), (), at="group"),
    "month": Command(("month",), ("group/results", "group/pages"), at="group"),
    "analyze": Command(("analyze", *REGISTRY, "--only", "tallies,flow", *OUT), whole=True),
    "analyze again": Command(("analyze", *REGISTRY, "--only", "tallies,flow", "--out", "old"), ("old",), whole=True),
    "audit": _page("audit"),
    "monthly": _page("monthly", "--period", "P012"),
    "actions": _page("actions"),
    "condition": _page("condition", "--condition", "acl_tear"),
    "card": _page("card", "--condition", "acl_tear"),
    "examiner": _page("examiner", "--examiner", "EX-01", *REGISTRY, drawn=True),
    "supervisor": _page("supervisor"),
    "lead": _page("lead", drawn=True),
    "index": Command(("report", "index", *RESULTS, "--in", "pages"), ("pages",)),
    "intake": _page("intake"),
    "network": Command(("report", "network", "--results", "pooled", *OUT)),
    "project": Command(("report", "project", *OUT), whole=True, once=True),
    "release": Command(("report", "audit", "--audience", "release", *REGISTRY, *RESULTS, *OUT)),
    "site summary": Command(
        ("site", "summary", *REGISTRY, *RESULTS, "--site", "S-01", "--out", "S-01.json"), ("S-01.json",), whole=True
    ),
    "pool": Command(("pool", "sites/S-1.json", "sites/S-2.json", *OUT), whole=True),
    "study new": Command(
        (
            *(
                "study",
                "new",
                "--code",
                "mine",
                "--title",
                "A title",
                "--question",
                "Is it so?",
                "--hypothesis",
                "It is.",
            ),
            *("--kind", "accuracy", "--tests", "lachman", "--condition", "acl_tear", "--purpose", "teaching"),
            *("--measure", "both", "--expected", "later", "--smallest", "later", "--examiner", "any"),
            *("--reader", "any", "--determination", "later", "--learners-covered", "later"),
            *("--data-use-agreement", "later"),
            *("--out", "new.yaml"),
        ),
        ("new.yaml",),
        whole=True,
        once=True,
    ),
    "study plan": Command(("study", "plan", "study.yaml", *REGISTRY, *OUT)),
    "study lock": Command(
        ("study", "lock", "study.yaml", *REGISTRY), ("study.lock.json",), whole=True, once=True, drawn=True
    ),
    "study amend": Command(
        ("study", "amend", "locked.yaml", *REGISTRY, "--reason", "It was reworded."),
        ("locked.lock.json",),
        whole=True,
        drawn=True,
        once=True,
    ),
    "study run": Command(("study", "run", "study.yaml", *REGISTRY, *OUT), whole=True),
    "study report": Command(("study", "report", "--results", "study", *OUT)),
    "study bundle": Command(
        ("study", "bundle", "--results", "study", *REGISTRY, *OUT), ("out", "out-disclosure-log.csv"), once=True
    ),
    "teach": Command(("teach", "--registry", "many.duckdb", *APPROVAL, *OUT), whole=True, registry="many.duckdb"),
    "agree pack": Command(
        ("agree", "pack", "--maneuvers", "lachman", "--examiners", "3", "--participants", "4", *OUT),
        whole=True,
        once=True,
    ),
    "agree report": Command(("agree", "report", "readings", *OUT)),
    "synthesize": Command(("synthesize", "--scenario", "small", *OUT)),
    "deidentify": Command(
        ("deidentify", "export", "--mapping", "export/mapping.yaml", "--key", "site.key", *OUT), whole=True, once=True
    ),
    "map draft": Command(("map", "draft", "export", "--out", "draft.yaml"), ("draft.yaml",), whole=True, once=True),
    "key make": Command(("key", "make", "new.key"), ("new.key",), whole=True, once=True, drawn=True),
    "catalogue new": Command(("catalogue", "new", "--out", "own.yaml"), ("own.yaml",), whole=True, once=True),
    "workbook": Command(("workbook", "--out", "a.xlsx"), ("a.xlsx",), whole=True, once=True, drawn=True),
    "sheet": Command(("sheet", "--out", "a.pdf"), ("a.pdf",), whole=True),
    "form": Command(("form", "--out", "a.html"), ("a.html",), whole=True),
    "form as FHIR": Command(("form", "--fhir", "--out", "a.json"), ("a.json",), whole=True),
}
"""Every command that writes; what each needs stands in the folder that `write_clinic` makes."""


def write_clinic(folder: Path, results: Path) -> None:
    """Write what most commands read: a registry, further records, results, earlier ones, a study, an export."""
    registry = folder / "registry.duckdb"
    synthesize(folder / "made", scenario=SMALL, exams=60, seed=20317)
    batch.ingest([folder / "made" / "records"], registry)
    own = {"participant_id": "N-9000001", "examiner_id": "EX-01"}
    send(
        *(folder, registry),
        examiners=[{"examiner_id": "EX-01", "role": "attending", "site_id": "S-1"}],
        participants=[{"participant_id": "N-9000001", "sex": "female", "age_years": 30}],
        exams=[exam("X-9000001", **own), exam("X-9000002", **own | {"side": "middle"})],
    )
    synthesize(folder / "other", scenario=SMALL, exams=60, seed=7)
    (folder / "other" / "records").rename(folder / "more")
    for name in ("made", "other"):
        shutil.rmtree(folder / name)
    (folder / "study.yaml").write_text(STUDY, encoding="utf-8")
    shutil.copytree(results, folder / "results")
    _as_of(registry, folder / "results")
    write_export(folder / "export", people=60)
    make_key(folder / "site.key", around=2031)
    with open_registry(registry) as opened:
        analyze(opened, only=("flow",)).write(folder / "old")


def write_rest(folder: Path) -> None:
    """Write beside it what the other commands read: studies, a group with settings, pages, readings, summaries."""
    _write_studies(folder, folder / "registry.duckdb")
    write_pooled(folder / "pooled")
    (folder / "sites").mkdir()
    for code in ("S-1", "S-2"):
        write_site(folder / "sites" / f"{code}.json", code)
    (folder / "made").mkdir()
    make_registry(folder / "made", people=700)
    (folder / "made" / "registry.duckdb").rename(folder / "many.duckdb")
    shutil.rmtree(folder / "made")
    render_monthly(folder / "results", folder / "pages", period="P012")
    (folder / "readings").mkdir()
    for examiner in ("E01", "E02"):
        seen = "".join(f"{examiner},P{n:02},right,lachman,{('positive', 'negative')[n % 2]},,\n" for n in range(12))
        (folder / "readings" / f"{examiner}.csv").write_text(READINGS + seen, encoding="utf-8")
    (folder / "group" / "inbox").mkdir(parents=True)
    (folder / "group" / "examtally.toml").write_text(SETTINGS, encoding="utf-8")
    own = {"participant_id": "N-9000001", "examiner_id": "EX-01"}
    write_csv(folder / "group" / "inbox" / "exams.csv", [exam(f"X-910000{n}", exam_day=n, **own) for n in range(5)])


def _write_studies(folder: Path, registry: Path) -> None:
    (folder / "study.yaml").write_text(STUDY, encoding="utf-8")
    locked = folder / "locked.yaml"
    locked.write_text(STUDY.replace("study: lachman", "study: locked"), encoding="utf-8")
    lock(locked, registry)
    reworded = locked.read_text(encoding="utf-8").replace("How accurate is", "How accurate was")
    locked.write_text(reworded, encoding="utf-8")
    with open_registry(registry) as opened:
        run(folder / "study.yaml", opened).write(folder / "study")


def _as_of(registry: Path, results: Path) -> None:
    """Let results pass for those of a registry, which a release asks for."""
    with open_registry(registry) as opened:
        records = opened.fingerprint()
    found = read_results(results)
    replace(found, provenance=replace(found.provenance, registry=records)).write(results)


def _site_row() -> dict[str, object]:
    """What a group gives of one maneuver."""
    schema = result_tables()["site_summaries"].schema
    row: dict[str, object] = {name: 0.001 for name, kind in schema.items() if kind.is_numeric()}
    row |= {"condition": "acl_tear", "maneuver": "lachman", "logit_sensitivity": 1.4, "logit_specificity": 2.0}
    row |= {"var_sensitivity": 0.06, "var_specificity": 0.03, "covariance": 0.0, "tp": 60, "fp": 30, "fn": 25, "tn": 90}
    return {name: value for name, value in row.items() if name in schema}


def write_pooled(folder: Path) -> Path:
    """Write the results of six groups pooled; return their folder."""
    schema = result_tables()["site_summaries"].schema
    sites = pl.DataFrame([_site_row() | {"site_code": f"S-{n}"} for n in range(6)], schema_overrides=schema)
    protocol = load_protocol(None, load_contract()).to_dict()
    hashes = {f"S-{n}": "0" * 64 for n in range(6)}
    return pooled_results(conform("site_summaries", sites), protocol, hashes).write(folder)


def write_site(path: Path, site: str, **changes: object) -> Path:
    """Write what the group with this code gives for pooling, sealed; `changes` are put into its row."""
    protocol = load_protocol(None, load_contract()).to_dict()
    row = {name: value for name, value in _site_row().items() if name != "site_code"} | changes
    content = {"format": "examtally site summary", "version": 1, "site": site, "protocol": protocol, "rows": [row]}
    return write_summary(json.dumps(content | {"seal": canonical_hash(content)}), path)


@dataclass(frozen=True)
class Kept:
    """What a command can change: the records, the number of entries in the log, its files by their content."""

    records: object
    entries: int
    files: Mapping[str, str]


@dataclass(frozen=True)
class Place:
    """Where a command is tried: a folder with copies of what it reads, and one for what lies in between."""

    folder: Path
    command: Command
    words: tuple[str, ...]

    @classmethod
    def of(cls, clinic: Path, folder: Path, command: Command) -> Place:
        """A new place with the clinic's files."""
        shutil.copytree(clinic, folder)
        (folder / "tmp").mkdir()
        with open_registry(folder / "registry.duckdb") as registry:
            ((person,),) = registry.con.execute("select min(participant_id) from reg.exams").fetchall()
        return cls(folder, command, tuple(person if word == "PERSON" else word for word in command.words))

    @property
    def registry(self) -> Path:
        """The registry in the folder."""
        return self.folder / self.command.registry

    def begin(self) -> Callable[[], int]:
        """Go where the command is called, with a temporary folder of its own; return the call."""
        os.chdir(self.folder / self.command.at)
        tempfile.tempdir = str(self.folder / "tmp")
        return lambda: main([*self.words])

    def kept(self) -> Kept:
        """What is there now; hidden files are not."""
        found = {}
        for place in self.command.writes:
            root = self.folder / place
            for path in [root] if root.is_file() else root.rglob("*"):
                name = path.relative_to(self.folder)
                if path.is_file() and not any(part.startswith((".", "examtally-spill-")) for part in name.parts):
                    content = b"" if self.command.drawn else path.read_bytes()
                    found[str(name)] = hashlib.sha256(content).hexdigest()
        return Kept(state(self.registry), len(list_log(self.registry)), found)

    def left_over(self) -> list[str]:
        """What no command may leave: files in the making, and folders for work under way."""
        hidden = [path.name for path in self.folder.rglob(".*")]
        under_way = [path.name for path in self.folder.rglob("examtally-spill-*")]
        between = [path.name for path in (self.folder / "tmp").iterdir() if not path.name.startswith(_SHEET)]
        return hidden + under_way + between
