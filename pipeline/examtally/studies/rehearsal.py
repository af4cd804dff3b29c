"""A rehearsal: the whole study with its answers dealt to other people, so that it cannot fail once it is locked."""

from __future__ import annotations

from dataclasses import replace

import duckdb

from examtally.contracts.study.study import Study
from examtally.errors import ExamtallyError, StudyError
from examtally.registry import Registry
from examtally.registry.faults import is_full
from examtally.results.work import Progress
from examtally.studies.lock_status import lock_status
from examtally.studies.running import StudyResults, run_as


def rehearse(study: Study, registry: Registry, progress: Progress | None = None) -> StudyResults:
    """Run the study on the registry with every reading's status dealt to another reading; return what came of it.

    Its figures say nothing of the tests and are not for reading: what counts is that each step ran. Raises StudyError
    where one did not, in the words of the error.

        rehearse(load_study("study.yaml"), opened)
    """
    dealt = replace(study, selection=replace(study.selection, outcomes_dealt_anew=True))
    try:
        return run_as(dealt, lock_status(study, ()), registry, progress=progress)
    except ExamtallyError as error:
        raise StudyError(f"the analysis cannot be run on these records: {error}") from error
    except Exception as error:
        if isinstance(error, duckdb.Error) and is_full(error):
            raise StudyError("no room is left on disk or in memory; free some, then repeat") from error
        raise StudyError(
            f"the analysis fails on these records ({type(error).__name__}); this is a fault of the program: report it "
            "with the protocol, without records"
        ) from error
