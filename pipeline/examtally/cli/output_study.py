"""What the commands of the study kit say."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from examtally.cli.output import complain

if TYPE_CHECKING:
    from examtally.contracts.study.study import Study
    from examtally.studies import StudyResults
    from examtally.studies.checking import Remark
    from examtally.studies.lockfile import LockEntry

_WIDTH = 100


def show_draft(path: Path, remarks: Sequence[Remark]) -> None:
    """Say where the draft is, what is still owed before a lock, and what comes next."""
    print(f"{path}: a draft. Read it through; lines that begin with # wait for you.")
    owed = ", ".join(dict.fromkeys(one.key for one in remarks if one.must))
    if owed:
        print(f"Still owed before the lock: {owed}.")
    print(f"Next: examtally study check {path}")


def show_check(study: Study, remarks: Sequence[Remark], *, as_json: bool) -> None:
    """Print the remarks, those in the way of a lock first, and the governance as page one will have it."""
    if as_json:
        print(json.dumps({"study": study.code, "remarks": [asdict(one) for one in remarks]}, indent=1))
        return
    for heading, chosen in (
        ("Must be answered before the study can be locked:", [one for one in remarks if one.must]),
        ("A reviewer may ask:", [one for one in remarks if not one.must]),
    ):
        if chosen:
            print(heading)
            for one in chosen:
                print(textwrap.fill(f"{one.key}: {one.says}", _WIDTH, initial_indent="  ", subsequent_indent="      "))
    for name, value in asdict(study.governance).items():
        print(f"{name.replace('_', ' ')}: {(value or 'not stated').replace('_', ' ')}")
    if not any(one.must for one in remarks):
        print("The protocol can be locked: examtally study lock …")


def show_plan(text: str, files: Sequence[Path]) -> None:
    """Print the paragraph and where the tables and the curve are."""
    print(textwrap.fill(text, _WIDTH))
    for path in files:
        print(f"  {path}")


def show_lock(made: LockEntry, path: Path) -> None:
    """Say what was noted, and where."""
    what = "locked" if not made.reason else "amended"
    print(f"The study is {what} at {made.at} UTC; entry {made.log_entry} of the registry's log, {made.log_hash[:16]}.")
    print(f"Keep {path.name} beside the protocol: {path}")


def show_run(made: StudyResults, out: Path, *, as_json: bool) -> None:
    """Say what was run and how it stands to the lock."""
    if as_json:
        print(made.to_json(), end="")
        return
    stands = made.lock_status
    rows = made.results.study_analyses.select("analysis", "role", "status").iter_rows()
    for name, role, status in rows:
        print(f"  {name} ({role}): {status}")
    if not stands.locked:
        complain("The study is not locked: everything in it is exploratory.")
    for one in stands.deviations:
        complain(f"Deviation, {one.key}: {one.says}" + (f" ({one.reason})" if one.reason else ""))
    print(f"Results: {out}")
