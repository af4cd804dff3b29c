"""What the commands of the study kit say."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from examtally.cli.output import complain, show_files

if TYPE_CHECKING:
    from examtally.contracts.study.study import Study
    from examtally.studies import StudyResults
    from examtally.studies.bundling import Written
    from examtally.studies.checking import Remark
    from examtally.studies.lockfile import LockEntry
    from examtally.studies.plan import Plan

_WIDTH = 100


def show_draft(path: Path, remarks: Sequence[Remark]) -> None:
    """Say where the draft is, what is still owed before a lock, and what comes next."""
    print(f"{path}: a draft. Read it through; lines that begin with # wait for you.")
    owed = ", ".join(dict.fromkeys(one.key for one in remarks if one.must))
    if owed:
        print(f"Still owed before the lock: {owed}.")
    say_next(f"examtally study check {path}")


def show_check(
    study: Study, remarks: Sequence[Remark], warnings: Sequence[str], following: str, *, as_json: bool
) -> None:
    """Print the remarks, those in the way of a lock first, the governance as page one will have it, and what follows.

    `warnings` are those about the records at hand.
    """
    if as_json:
        content = {"study": study.code, "remarks": [asdict(one) for one in remarks], "records": list(warnings)}
        print(json.dumps(content, indent=1))
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
    for said in warnings:
        print(textwrap.fill(said, _WIDTH, subsequent_indent="  "))
    if not any(one.must for one in remarks):
        print("The protocol can be locked.")
    say_next(following)


def after_check(study: Study, remarks: Sequence[Remark], protocol: Path, registry: Path | None) -> str:
    """The command that follows a check: the same one until all is answered, then plan, lock and run."""
    from examtally.studies.lockfile import lock_path

    at = registry or "REGISTRY"
    if lock_path(protocol).exists():
        return f"examtally study run {protocol} --registry {at} --out results"
    if any(one.must for one in remarks):
        return f"answer these in {protocol}, then examtally study check {protocol}"
    if study.planned_size.knees is None:
        return f"examtally study plan {protocol} --registry {at} --out plan"
    return f"examtally study lock {protocol} --registry {at}"


def say_next(command: str) -> None:
    """Say which command comes next."""
    print(f"Next: {command}")


def show_plan(made: Plan, protocol: Path, registry: Path, files: Sequence[Path]) -> None:
    """Print the paragraph, where the tables and the curve are, and the key for the size."""
    print(textwrap.fill(str(made), _WIDTH))
    for path in files:
        print(f"  {path}")
    if made.too_few or made.is_too_long:
        print("Not feasible here as planned. Change the groups, the tests or planned_size, then plan again;")
        print("or lock it as it is, for a description.")
    elif made.study.planned_size.knees != made.knees:
        print(f"Write into {protocol}, under planned_size:  knees: {made.knees}")
    say_next(f"examtally study lock {protocol} --registry {registry}")


def show_lock(made: LockEntry, path: Path, warnings: Sequence[str]) -> None:
    """Say what was noted, and where; `warnings` are those about the records at hand."""
    for one in warnings:
        complain(one)
    what = "locked" if not made.reason else "amended"
    print(f"The study is {what} at {made.at} UTC; entry {made.log_entry} of the registry's log, {made.log_hash[:16]}.")
    print(f"Keep {path.name} beside the protocol: {path}")


def show_bundle(made: Written, registry: Path) -> None:
    """Say where the bundle is, whether the primary result is in it and what would help, and what follows."""
    show_files([made.folder, made.log])
    if made.lacks:
        complain(f"{made.carries} {made.helps} Table by table: {made.log.name}")
    else:
        print(made.carries)
    say_next(f"examtally study reproduce {made.folder} --registry {registry}")


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
    say_next(f"examtally study report --results {out} --out paper --format html,docx,pdf")
