"""Case review: the exams of one examiner or one period that the reference contradicted, each opening noted."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from examtally.cohort.cohort import build_cohort
from examtally.cohort.contradictions import read_contradictions
from examtally.contracts.protocol.protocol import Protocol
from examtally.errors import ResultsError
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.lock_wait import LockWait
from examtally.results.settings import settings_for


def review(
    registry: Path,
    protocol: Protocol | Path | None,
    *,
    joint: str | None = None,
    examiner: str | None = None,
    period: str | None = None,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
) -> pl.DataFrame:
    """Return the contradicted findings and probabilities; see `read_contradictions`. The registry's log notes it.

    Exactly one of `examiner` (without the column examiner_id in the answer) and `period` is given. Raises ResultsError
    for neither, both, or one that is not in the registry.
    """
    if (examiner is None) == (period is None):
        raise ResultsError("say one of --examiner and --period: whose exams, or of when")
    column, code = ("examiner_id", examiner) if examiner is not None else ("period", period)
    with open_registry(registry, lock_wait=lock_wait) as opened:
        known = opened.con.execute(f"select 1 from reg.exams where {column} = ? limit 1", [code]).fetchall()
        if not known:
            which = "no exam by that examiner" if examiner is not None else "no exam in that period"
            raise ResultsError(f"the registry holds {which}; use a code that stands in its exams")
        settings, contract = settings_for(opened.con, protocol, joint=joint)
        with build_cohort(opened.con, contract, settings) as cohort:
            found = read_contradictions(cohort.con, contract, settings).filter(pl.col(column) == code)
    scope = "examiner" if examiner is not None else "period"
    details = {"by": scope, "rows": found.height, "exams": found["exam_id"].n_unique()}
    note_use(registry, "review", operator=operator, details=details, lock_wait=lock_wait)
    return found.drop("examiner_id")
