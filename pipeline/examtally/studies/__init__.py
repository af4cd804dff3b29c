"""A study from its protocol to its results: check, plan, lock, run."""

from examtally.studies.reading import read_study
from examtally.studies.running import StudyResults, run

__all__ = ["StudyResults", "read_study", "run"]
