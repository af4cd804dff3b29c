"""Ctrl-C at random moments: exit code 130, one line that tells the truth, and a sound state, for every writing command.

The keys are sent to this process while a command runs in it, as a terminal sends them.
"""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from records import state
from writing_commands import COMMANDS, Kept, Place

from examtally.cli.app import main
from examtally.ingestion import batch
from examtally.registry.verifying import verify
from examtally.studies import locking

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX are sent"),
    # Python does not wait for a program, nor close a file, whose call the keys cut short, and says so
    pytest.mark.filterwarnings("ignore:Exception ignored in. <(function (Popen|Weak)|_io|posix.Scandir)"),
]

FEW, MANY = 1, 10
OFTEN_STOPPED = ("ingest", "undo", "release")  # the others, and more often: `make study`


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


def _is_sound(place: Place, line: str, before: Kept, whole: Mapping[str, str]) -> None:
    """Nothing half-written lies about, and the line says what is there."""
    assert place.left_over() == []
    assert verify(place.registry).faults == ()
    after = place.kept()
    files, _, entries = line.partition("; in the registry, ")
    if not place.command.writes:
        files, entries = "", line
    if not entries:
        assert (after.records, after.entries) == (before.records, before.entries)
    else:
        is_as_it_was = (after.records, after.entries) == (before.records, before.entries)
        assert ("nothing was stored" in entries) == is_as_it_was
        assert is_as_it_was or "stands in the registry's log" in entries
        assert place.command.may_change_records or after.records == before.records
    if place.command.writes:
        changed = {name for name, content in after.files.items() if before.files.get(name) != content}
        assert {name: after.files[name] for name in changed}.items() <= whole.items()
        assert after.files.keys() >= before.files.keys()
        assert ("nothing was stored" in files) == (not changed)
        assert not changed or f"{len(changed)} file" in files


def _tried(
    name: str,
    moments: int,
    clinic: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> tuple[int, int]:
    """Run to the end, then with Ctrl-C until stopped so often, then to the end; return how often stopped and done."""
    command = COMMANDS[name]
    place = Place.of(clinic, tmp_path / "whole", command)
    run = place.begin()
    begun = time.perf_counter()
    assert run() == 0
    took = time.perf_counter() - begun
    whole = place.kept().files
    draw = np.random.default_rng([len(name), moments])
    stopped = done = 0
    while stopped < moments and done < max(moments, 4):
        place = Place.of(clinic, tmp_path / f"{stopped}-{done}", command)
        run, before = place.begin(), place.kept()
        capsys.readouterr()
        with _pressed_after(float(draw.uniform(0, took))):
            code = run()
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
    is_there = place.kept() != before
    assert run() == 0 or (command.once and is_there)
    assert command.may_change_records or place.kept().files == whole
    return stopped, done


@pytest.mark.parametrize("command", OFTEN_STOPPED)
def test_stopped_at_a_few_moments(
    command: str, clinic_of_commands: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stopped, _ = _tried(command, FEW, clinic_of_commands, tmp_path, capsys)
    assert stopped


@pytest.mark.study
@pytest.mark.parametrize("command", COMMANDS)
def test_stopped_at_many_moments(
    command: str, clinic_of_every_command: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stopped, done = _tried(command, MANY, clinic_of_every_command, tmp_path, capsys)
    with capsys.disabled():
        print(f"{command}: stopped {stopped} times, done {done} times before the keys")
    assert stopped >= MANY // 2


def test_ctrl_c_at_a_question_is_heard_at_once_and_keeps_the_answers(tmp_path: Path) -> None:
    """A library that the questions load reads on after a signal; nobody then types a line to be heard."""
    command = [sys.executable, "-m", "examtally.cli", "study", "new", "--out", "s.yaml"]
    ours, its = pty.openpty()
    with subprocess.Popen(command, cwd=tmp_path, stdin=its, stdout=its, stderr=subprocess.PIPE, text=True) as child:
        os.close(its)
        os.write(ours, b"accuracy\nmine\n")
        said = b""
        while b"Title of the paper" not in said:
            said += os.read(ours, 1000)
        time.sleep(0.2)  # it asks, then it listens
        child.send_signal(signal.SIGINT)
        try:
            _, errors = child.communicate(timeout=20)
        finally:
            child.kill()
    os.close(ours)
    assert (child.returncode, errors.strip()) == (
        130,
        "Stopped by Ctrl-C: your answers are kept in s.answers.yaml; the same command goes on from there.",
    )
    assert (tmp_path / "s.answers.yaml").read_text(encoding="utf-8").splitlines() == [
        '"kind": "accuracy"',
        '"code": "mine"',
    ]


def _then_press(monkeypatch: pytest.MonkeyPatch, module: object, name: str) -> None:
    """Press Ctrl-C just after a function of a module has returned."""
    done: Callable[..., object] = getattr(module, name)

    def do_and_press(*words: object, **named: object) -> object:
        found = done(*words, **named)
        signal.raise_signal(signal.SIGINT)
        return found

    monkeypatch.setattr(module, name, do_and_press)


def test_the_line_tells_of_a_batch_that_was_stored_already(
    clinic_of_commands: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    place = Place.of(clinic_of_commands, tmp_path / "stored", COMMANDS["ingest"])
    run = place.begin()
    _then_press(monkeypatch, batch, "store")
    before = state(place.registry)
    assert run() == 130
    line = capsys.readouterr().err.splitlines()[-1]
    assert line == "Stopped by Ctrl-C: but it was done already (ingest) and stands in the registry's log."
    assert state(place.registry) != before
    assert verify(place.registry).faults == ()


def test_a_lock_that_only_the_log_holds_is_written_by_the_next_lock(
    clinic_of_commands: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    place = Place.of(clinic_of_commands, tmp_path / "locked", COMMANDS["study lock"])
    run = place.begin()
    with monkeypatch.context() as patch:
        patch.setattr(locking, "rehearse", lambda *_: None)
        _then_press(patch, locking, "note_use")
        assert run() == 130
        assert "study.lock.json is as it was; in the registry, but it was done already (study_lock)" in (
            capsys.readouterr().err
        )
        noted = place.kept()
        protocol = place.folder / "study.yaml"
        asked = protocol.read_text(encoding="utf-8")
        protocol.write_text(asked.replace("How accurate", "How very accurate"), encoding="utf-8")
        assert run() == 11
        assert "the file is missing" in capsys.readouterr().err
        protocol.write_text(asked, encoding="utf-8")
    assert run() == 0
    assert place.kept().entries == noted.entries
    monkeypatch.setattr(locking, "rehearse", lambda *_: None)
    protocol.write_text(asked.replace("How accurate", "How very accurate"), encoding="utf-8")
    amend = ["study", "amend", "study.yaml", "--registry", "registry.duckdb", "--reason", "A word was added."]
    with monkeypatch.context() as patch:
        _then_press(patch, locking, "note_use")
        assert main(amend) == 130
    assert main([*amend[:-1], "Another reason."]) == 11
    assert main(amend) == 0
    assert place.kept().entries == noted.entries + 1
    assert run() == 11
    assert "is locked since" in capsys.readouterr().err.splitlines()[-1]


def test_a_fault_that_a_library_makes_of_the_keys_is_still_ctrl_c(
    clinic_of_commands: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = Place.of(clinic_of_commands, tmp_path / "wrapped", COMMANDS["ingest"]).begin()

    def wrap(*_: object) -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise RuntimeError("Query interrupted") from None

    monkeypatch.setattr(batch, "check_against_registry", wrap)
    assert run() == 130
    assert capsys.readouterr().err.splitlines()[-1] == (
        "Stopped by Ctrl-C: nothing was stored; the registry is as it was."
    )
