"""The results of a study read back from its folder, as `run` gave them."""

from __future__ import annotations

import json
from pathlib import Path

from examtally.contracts.study.study import load_study
from examtally.errors import StudyError
from examtally.results import read_results
from examtally.studies.lock_status import Deviation, LockStatus, lock_status
from examtally.studies.lockfile import LockEntry
from examtally.studies.running import FORMAT, STUDY_FILE, StudyResults


def read_study(folder: Path | str) -> StudyResults:
    """Read the folder that a run wrote; StudyError where it is none, ResultsError where a table was changed.

    For example `et.read_study("study-results").results.accuracy`.
    """
    path = Path(folder) / STUDY_FILE
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["format"] != FORMAT:
            raise ValueError
        stands = LockStatus(
            tuple(LockEntry(**one) for one in content["lock"]),
            frozenset(content["prespecified"]),
            tuple(Deviation(**one) for one in content["deviations"]),
        )
        study, log_entry = load_study(content["protocol"]), int(content["log_entry"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise StudyError(f"{STUDY_FILE}: is not of a study; name the folder that `examtally study run` wrote") from None
    is_loose = bool(stands.locked) and not stands.prespecified
    plain = lock_status(study, stands.locked, exploratory=is_loose)
    if plain.prespecified != stands.prespecified or not {*plain.deviations} <= {*stands.deviations}:
        raise StudyError(f"{STUDY_FILE}: was changed after the run; run the study again")
    return StudyResults(study, stands, read_results(folder), log_entry)
