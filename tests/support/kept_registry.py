"""A registry to be stopped in the middle of things, and a child process that does one thing to it."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

from forked import Child, die, limit_file_size
from records import exam, finding, reference, send, write_csv

from examtally.errors import ExamtallyError
from examtally.ingestion import batch, ingest
from examtally.registry import open_registry
from examtally.registry.undo import undo
from examtally.registry.withdrawal import withdraw

EXAMS = 300
MANEUVERS = ("lachman", "ober", "pivot_shift", "anterior_drawer", "mcmurray_medial", "patellar_tap")
ACTIONS = ("amend", "undo", "erase", "stop", "migrate")


def do(action: str, registry: Path, folder: Path, step: str, limit: int) -> None:
    """Do one thing to the registry, without the second engine, and die at a step."""
    limit_file_size(limit)
    batch.examine = lambda *_: ()  # type: ignore[assignment]

    def progress(at: str) -> None:
        if at == step:
            die()

    actions: dict[str, Callable[[], object]] = {
        "amend": lambda: ingest([folder], registry, amend=True, progress=progress),
        "undo": lambda: undo(registry, progress=progress),
        "erase": lambda: withdraw(registry, "PT-257", erase=True, progress=progress),
        "stop": lambda: withdraw(registry, "PT-257", erase=False, progress=progress),
        "migrate": lambda: open_registry(registry, read_only=False).close(),
    }
    print("armed", flush=True)
    try:
        actions[action]()
    except ExamtallyError as error:
        print(error)
        sys.exit(3)


def make(folder: Path) -> Path:
    """Two batches, the second of which amended and released lines."""
    registry = folder / "registry.duckdb"
    people = [{"participant_id": f"PT-{n}", "sex": "female"} for n in range(EXAMS)]
    exams = [exam(f"EX-{n}", participant_id=f"PT-{n}") for n in range(EXAMS)]
    findings = [finding(f"EX-{n}", maneuver, "negative") for n in range(EXAMS) for maneuver in MANEUVERS]
    readings = [reference(f"RD-{n}", participant_id=f"PT-{n}") for n in range(0, EXAMS, 3)]
    send(folder, registry, participants=people, exams=exams[:-20], findings=findings, references=readings)
    changed = folder / "changed"
    changed.mkdir()
    write_csv(changed / "exams.csv", [*exams[-20:], exam("EX-257", participant_id="PT-257", complaint="yes")])
    write_csv(changed / "findings.csv", [finding(f"EX-{n}", "ober", "positive") for n in range(0, EXAMS, 2)])
    ingest([changed], registry, amend=True)
    again = folder / "again"
    again.mkdir()
    write_csv(again / "findings.csv", [finding(f"EX-{n}", "lachman", "positive") for n in range(EXAMS)])
    return registry


def start(action: str, registry: Path, folder: Path, step: str = "", limit: int = 0) -> Child:
    """Start the child; it says `armed` when it begins."""
    return Child(do, action, registry, folder, step, limit)


def kill_after(child: Child, seconds: float) -> int | None:
    """Kill the child so many seconds after it began; return its exit code."""
    assert child.stdout.readline() == "armed\n"
    time.sleep(seconds)
    child.kill()
    child.communicate()
    return child.returncode
