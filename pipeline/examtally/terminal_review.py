"""What the command that opens cases says."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from examtally.terminal import print_table

if TYPE_CHECKING:
    import polars as pl

_HEADS = ("exam", "condition", "maneuver", "finding", "reference", "severity")


def show_review(found: pl.DataFrame, *, as_json: bool) -> None:
    """List the contradictions, missed conditions first."""
    rows = list(found.iter_rows(named=True))
    if as_json:
        print(json.dumps(rows, indent=2))
        return
    if not rows:
        print("No core finding and no firm probability was contradicted by a reference.")
        return
    missed = sum(row["reference"] == "present" for row in rows)
    exams = len({row["exam_id"] for row in rows})
    print(f"{len(rows)} findings contradicted in {exams} exams; {missed} missed, these first. Noted in the log.")
    print_table(_HEADS, [_line(row) for row in rows], are_words=True)


def _line(row: dict[str, object]) -> tuple[object, ...]:
    stated = row["finding"] or f"stated {float(str(row['probability'])):.0%}"
    return (
        *(row["exam_id"], row["condition"], row["maneuver"] or "(probability)"),
        *(stated, row["reference"], row["severity"] or ""),
    )
