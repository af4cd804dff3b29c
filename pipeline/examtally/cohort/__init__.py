"""From records to the analysis set and everything that is counted from it."""

from examtally.cohort.cohort import Cohort, build_cohort

__all__ = ["Cohort", "build_cohort"]
