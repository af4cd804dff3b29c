"""A registry to be stopped in the middle of things, and a child process that does one thing to it."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

from records import exam, finding, reference, send, write_csv

EXAMS = 300
MANEUVERS = ("lachman", "ober", "pivot_shift", "anterior_drawer", "mcmurray_medial", "patellar_tap")
ACTIONS = ("amend", "undo", "erase", "stop", "migrate")

CHILD = """
import os, resource, signal, sys
from pathlib import Path
from examtally.errors import ExamtallyError
from examtally.ingestion import batch, ingest
from examtally.registry import open_registry
from examtally.registry.undo import undo
from examtally.registry.withdrawal import withdraw
action, registry, folder, step, limit = sys.argv[1:6]
batch.examine = lambda *_: ()
if int(limit):
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(limit), int(limit)))

def progress(at):
    if at == step:
        os.kill(os.getpid(), signal.SIGKILL)

do = {
    "amend": lambda: ingest([folder], registry, amend=True, progress=progress),
    "undo": lambda: undo(registry, progress=progress),
    "erase": lambda: withdraw(registry, "PT-257", erase=True, progress=progress),
    "stop": lambda: withdraw(registry, "PT-257", erase=False, progress=progress),
    "migrate": lambda: open_registry(registry, read_only=False).close(),
}[action]
print("armed", flush=True)
try:
    do()
except ExamtallyError as error:
    print(error)
    sys.exit(3)
"""


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
    from examtally.ingestion import ingest

    ingest([changed], registry, amend=True)
    again = folder / "again"
    again.mkdir()
    write_csv(again / "findings.csv", [finding(f"EX-{n}", "lachman", "positive") for n in range(EXAMS)])
    return registry


def start(action: str, registry: Path, folder: Path, step: str = "", limit: int = 0) -> subprocess.Popen[str]:
    """Start the child; it says `armed` when it begins."""
    command = [sys.executable, "-c", CHILD, action, str(registry), str(folder), step, str(limit)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def kill_after(child: subprocess.Popen[str], seconds: float) -> int:
    """Kill the child so many seconds after it began; return its exit code."""
    assert child.stdout is not None
    assert child.stdout.readline() == "armed\n"
    time.sleep(seconds)
    child.send_signal(signal.SIGKILL)
    child.communicate()
    return child.returncode
