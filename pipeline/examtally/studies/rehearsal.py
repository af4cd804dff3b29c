"""A rehearsal: the whole study with its answers dealt to other people, so that it cannot fail once it is locked."""

from __future__ import annotations

from dataclasses import replace

from examtally.contracts.study.study import Study
from examtally.errors import ExamtallyError, StudyError
from examtally.registry import Registry
from examtally.studies.lock_status import lock_status
from examtally.studies.running import StudyResults, run_as


def rehearse(study: Study, registry: Registry) -> StudyResults:
    """Run the study on the registry with every reading's status dealt to another reading; return what came of it.

    Its figures say nothing of the tests and are not for reading: what counts is that each step ran. Raises StudyError
    where one did not, in the words of the error.

        rehearse(load_study("study.yaml"), opened)
    """
    dealt = replace(study, selection=replace(study.selection, outcomes_dealt_anew=True))
    try:
        return run_as(dealt, lock_status(study, ()), registry)
    except ExamtallyError as error:
        raise StudyError(f"the analysis cannot be run on these records: {error}") from error
    except Exception as error:
        raise StudyError(
            f"the analysis fails on these records ({type(error).__name__}); this is a fault of the program: report it "
            "with the protocol, without records"
        ) from error
