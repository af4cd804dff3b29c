"""A study from its protocol to its results: check, plan, lock, run."""

from examtally.studies.bundling import write_bundle
from examtally.studies.reading import read_study
from examtally.studies.reproducing import reproduce
from examtally.studies.running import StudyResults, run

__all__ = ["StudyResults", "read_study", "reproduce", "run", "write_bundle"]
