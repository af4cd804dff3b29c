"""Ctrl-C at random moments: exit code 130, one line that tells the truth, and a sound state, for every writing command.

The keys are sent to this process while a command runs in it, as a terminal sends them.
"""

from __future__ import annotations

import hashlib
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from clinic_export import write_export
from records import exam, send, state
from report_clinic import shared_results

from examtally.cli.app import main
from examtally.deidentification import make_key
from examtally.ingestion import batch
from examtally.registry import open_registry
from examtally.registry.accounts import list_log
from examtally.registry.verifying import verify
from examtally.results import read_results
from examtally.synthesis import synthesize

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX are sent"),
    # Python does not wait for a program, nor close a file, whose call the keys cut short, and says so
    pytest.mark.filterwarnings("ignore:Exception ignored in. <(function (Popen|Weak)|_io|posix.Scandir)"),
]

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
"""
TABLES = ("tallies", "flow")
FEW, MANY = 1, 10


@dataclass(frozen=True)
class Place:
    """Where a command is tried: a folder with copies of what it reads; `out` is what it writes."""

    folder: Path
    words: tuple[str, ...]
    out: Path

    @property
    def registry(self) -> Path:
        """The registry in the folder."""
        return self.folder / "registry.duckdb"


REGISTRY = ("--registry", "registry.duckdb")
COMMANDS: Mapping[str, tuple[str, ...]] = {
    "ingest": ("ingest", "more", "--registry", "registry.duckdb"),
    "withdraw": ("withdraw", "PERSON", "--erase", "--registry", "registry.duckdb"),
    "stop": ("withdraw", "PERSON", "--stop", "--registry", "registry.duckdb"),
    "undo": ("undo", "--registry", "registry.duckdb"),
    "retry": ("retry", "more", "--registry", "registry.duckdb"),
    "analyze": ("analyze", "--registry", "registry.duckdb", "--only", ",".join(TABLES), "--out", "out"),
    "report": ("report", "card", "--condition", "acl_tear", "--results", "results", "--out", "out"),
    "release": ("report", "audit", "--audience", "release", *REGISTRY, "--results", "results", "--out", "out"),
    "study run": ("study", "run", "study.yaml", "--registry", "registry.duckdb", "--out", "out"),
    "deidentify": ("deidentify", "export", "--mapping", "export/mapping.yaml", "--key", "site.key", "--out", "out"),
}


CHANGES_REGISTRY = {"ingest", "withdraw", "undo", "retry"}
OFTEN_STOPPED = ("ingest", "withdraw", "undo", "analyze", "report", "release", "study run", "deidentify")


@pytest.fixture(scope="module")
def clinic(together: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a registry, further records, results, a study and an export."""
    folder = tmp_path_factory.mktemp("clinic")
    synthesize(folder / "made", exams=60)
    batch.ingest([folder / "made" / "records"], folder / "registry.duckdb")
    send(folder, folder / "registry.duckdb", exams=[exam("EX-Z9-1"), exam("EX-Z9-2", side="middle")])
    synthesize(folder / "other", exams=60, seed=7)
    (folder / "other" / "records").rename(folder / "more")
    shutil.copytree(shared_results(together), folder / "results")
    _as_of(folder / "registry.duckdb", folder / "results")
    (folder / "study.yaml").write_text(STUDY, encoding="utf-8")
    write_export(folder / "export", people=60)
    make_key(folder / "site.key", around=2031)
    for name in ("made", "other"):
        shutil.rmtree(folder / name)
    return folder


def _as_of(registry: Path, results: Path) -> None:
    """Let results pass for those of a registry, which a release asks for."""
    with open_registry(registry) as opened:
        records = opened.fingerprint()
    found = read_results(results)
    replace(found, provenance=replace(found.provenance, registry=records)).write(results)


def _place(clinic: Path, folder: Path, command: str) -> Place:
    shutil.copytree(clinic, folder)
    with open_registry(folder / "registry.duckdb") as registry:
        ((person,),) = registry.con.execute("select min(participant_id) from reg.exams").fetchall()
    words = tuple(person if word == "PERSON" else word for word in COMMANDS[command])
    return Place(folder, words, folder / "out")


@contextmanager
def _pressed_after(seconds: float) -> Iterator[None]:
    """Press Ctrl-C once, so many seconds from now; a command that has ended by then is not concerned."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    main_thread = threading.main_thread().ident
    assert main_thread is not None
    timer = threading.Timer(seconds, signal.pthread_kill, (main_thread, signal.SIGINT))
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()
        signal.signal(signal.SIGINT, before)


def _bytes(out: Path) -> dict[str, str]:
    files = (path for path in out.rglob("*") if path.is_file())
    return {str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def _kept(registry: Path) -> tuple[object, int]:
    """The records of a registry, and how many entries its log has."""
    return state(registry), len(list_log(registry))


def _is_sound(place: Place, line: str, before: tuple[object, int], whole: Mapping[str, str]) -> None:
    """Nothing half-written lies about, and the line says what is there."""
    hidden = [path.name for path in place.folder.rglob(".*")]
    assert hidden == []
    assert verify(place.registry).faults == ()
    records, entries = _kept(place.registry)
    if place.words[0] in CHANGES_REGISTRY:
        is_same = (records, entries) == before
        assert ("nothing was stored" in line) == is_same
        assert is_same or "stands in the registry's log" in line
        return
    assert records == before[0]
    found = _bytes(place.out)
    assert found.items() <= whole.items()
    assert ("nothing was stored" in line.split("; in the registry")[0]) == (not found)
    assert not found or f"{len(found)} file" in line
    if "release" in place.words:
        with open_registry(place.registry) as registry:
            is_entered = bool(registry.con.execute("from reg.log where action = 'release'").fetchall())
        assert is_entered == ("stands in the registry's log" in line)


def _tried(
    command: str,
    moments: int,
    clinic: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    patch: pytest.MonkeyPatch,
) -> tuple[int, int]:
    """Run to the end, then with Ctrl-C until stopped so often, then to the end; return how often stopped and done."""
    place = _place(clinic, tmp_path / "whole", command)
    patch.chdir(place.folder)
    begun = time.perf_counter()
    assert main([*place.words]) == 0
    took = time.perf_counter() - begun
    whole = _bytes(place.out)
    draw = np.random.default_rng([len(command), moments])
    stopped = done = 0
    while stopped < moments and done < max(moments, 4):
        place = _place(clinic, tmp_path / f"{stopped}-{done}", command)
        patch.chdir(place.folder)
        before = _kept(place.registry)
        capsys.readouterr()
        with _pressed_after(float(draw.uniform(0, took))):
            code = main([*place.words])
        if code == 0:
            done += 1
            took *= 0.7  # the first run also loaded what it needs
            continue
        *steps, line = capsys.readouterr().err.splitlines()
        assert code == 130
        assert line.startswith("Stopped by Ctrl-C: ")
        assert not any("Error" in step or "Traceback" in step or "fault" in step for step in steps)
        _is_sound(place, line, before, whole)
        stopped += 1
    if command != "deidentify" or not place.out.exists():  # which writes into no folder that is there
        assert main([*place.words]) == 0
    assert place.words[0] in CHANGES_REGISTRY or _bytes(place.out) == whole
    patch.chdir(tmp_path)
    return stopped, done


@pytest.mark.parametrize("command", OFTEN_STOPPED)
def test_stopped_at_a_few_moments(
    command: str, clinic: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped, _ = _tried(command, FEW, clinic, tmp_path, capsys, monkeypatch)
    assert stopped


@pytest.mark.study
@pytest.mark.parametrize("command", COMMANDS)
def test_stopped_at_many_moments(
    command: str, clinic: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped, done = _tried(command, MANY, clinic, tmp_path, capsys, monkeypatch)
    with capsys.disabled():
        print(f"{command}: stopped {stopped} times, done {done} times before the keys")
    assert stopped >= MANY // 2


def _commit_then_press(monkeypatch: pytest.MonkeyPatch) -> None:
    stored: Callable[..., object] = batch.store

    def store_and_press(*words: object, **named: object) -> object:
        found = stored(*words, **named)
        signal.raise_signal(signal.SIGINT)
        return found

    monkeypatch.setattr(batch, "store", store_and_press)


def test_the_line_tells_of_a_batch_that_was_stored_already(
    clinic: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    place = _place(clinic, tmp_path / "stored", "ingest")
    monkeypatch.chdir(place.folder)
    _commit_then_press(monkeypatch)
    before = state(place.registry)
    assert main([*place.words]) == 130
    line = capsys.readouterr().err.splitlines()[-1]
    assert line == "Stopped by Ctrl-C: but it was done already (ingest) and stands in the registry's log."
    assert state(place.registry) != before
    assert verify(place.registry).faults == ()


def test_a_fault_that_a_library_makes_of_the_keys_is_still_ctrl_c(
    clinic: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    place = _place(clinic, tmp_path / "wrapped", "ingest")
    monkeypatch.chdir(place.folder)

    def wrap(*_: object) -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise RuntimeError("Query interrupted") from None

    monkeypatch.setattr(batch, "check_against_registry", wrap)
    assert main([*place.words]) == 130
    assert capsys.readouterr().err.splitlines()[-1] == (
        "Stopped by Ctrl-C: nothing was stored; the registry is as it was."
    )
