"""A study from its protocol to its results: check, plan, lock, run."""

from examtally.studies.running import StudyResults, run

__all__ = ["StudyResults", "run"]
