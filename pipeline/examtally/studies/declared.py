"""Which rows of the result tables a declared analysis asks for, and which tables stand beside them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import polars as pl

from examtally.analytics.comparison.group_methods import CASE_MIX, METHODS
from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.cohort.groupings import Grouping
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.results import conform
from examtally.contracts.study.parts import StudyAnalysis
from examtally.contracts.study.study import Study

BESIDE = ("cohort_summary", "flow", "tallies")
_CORRECTED = ("verification", "verification_bounds", "verification_models")
_LEADING = ("reference_posterior", "bias_models")
_SCENARIOS = (
    *("equivocal_positive", "equivocal_negative", "equivocal_worst"),
    *("indeterminate_present", "indeterminate_absent"),
)
_PERIODS, _LATE = ("first_period", "last_period"), ("entered_late", "amended_late")
OVERALL = "overall"
WITHOUT_ORDER = ("role", "setting", "sex")
_EVERY_TEST = "all"  # in tables about models that several tests share


def compared_groups(study: Study, known: Iterable[Grouping]) -> dict[str, tuple[tuple[str, str], ...]]:
    """Return the pairs of groups that are compared, by what makes the groups.

    What the protocol sets, else the first against the last, or against the second where the groups have no order.
    """
    orders = {grouping.name: grouping.order for grouping in known}
    target = study.selection.target
    if target is not None:
        orders[SEVERITY] = tuple(one.code for one in study.contract.catalogue.conditions[target.condition].severity)
    declared = study.protocol.comparisons.groups
    return {
        name: declared.get(name, ((orders[name][0], orders[name][1 if name in WITHOUT_ORDER else -1]),))
        for name in dict.fromkeys(one.group_by for one in study.analyses if one.group_by)
        if len(orders[name]) > 1
    }


def tables_of(analysis: StudyAnalysis) -> tuple[str, ...]:
    """Return the result tables with the figures of an analysis."""
    several = (METHODS, CASE_MIX) if analysis.group_by in EXAMINER_GROUPS else ()
    return {
        "accuracy": ("accuracy", "interactions") if analysis.group_by else ("accuracy",),
        "paired": ("accuracy", "comparisons", "interactions") if analysis.group_by else ("accuracy", "comparisons"),
        "by_group": ("accuracy", "interactions", *several),
        "agreement": ("agreement",),
        "change": ("accuracy", "changes", "change_context"),
    }[analysis.kind]


def wanted_tables(study: Study) -> tuple[str, ...]:
    """Return every table that the study's results hold, those made for it alone left out."""
    wanted = {*BESIDE, *(name for one in study.analyses for name in tables_of(one))}
    if study.selection.target is not None:
        wanted |= set(_CORRECTED) if study.missing_references == "corrected" else set()
        wanted |= set(_LEADING) if "bias_adjusted" in study.adjustments else set()
        wanted |= {"sensitivity_analyses"} if study.missing_findings == "scenarios" else set()
    return tuple(wanted)


def rows_of(name: str, analysis: StudyAnalysis, study: Study) -> pl.Expr | None:
    """Return which rows of table `name` hold figures of the analysis, None where none does."""
    if name not in tables_of(analysis):
        return None
    return _ROWS[name](analysis, study)


def beside(name: str, frame: pl.DataFrame, study: Study) -> pl.DataFrame:
    """Keep of a table beside the analyses what speaks of the study's tests, groups and condition."""
    tests = [test.code for test in study.selection.tests]
    condition = study.selection.target.condition if study.selection.target else "none"
    groups = [*_everybody(study), *(one.group_by for one in study.analyses if one.group_by)]
    limits: Mapping[str, pl.Expr] = {
        "condition": pl.col("condition") == condition,
        "maneuver": pl.col("maneuver").is_in([*tests, _EVERY_TEST]),
        "group_by": pl.col("group_by").is_in(groups),
        "scenario": pl.col("scenario").is_in(_SCENARIOS),
    }
    if name == "cohort_summary":
        behind = [f"examiners_by_{group}" for group in groups]
        return frame.filter((pl.col("group") == "all") | pl.col("item").is_in([*_PERIODS, *_LATE, *behind]))
    return frame.filter(*(limit for column, limit in limits.items() if column in frame.columns))


def _everybody(study: Study) -> tuple[str, ...]:
    """The groupings that need no declared group; single examiners only where the protocol asks for persons."""
    return (OVERALL, "examiner") if study.with_examiners else (OVERALL,)


def analyses_table(study: Study, statuses: Mapping[str, str]) -> pl.DataFrame:
    """Return the table `study_analyses`."""
    roles = {one.name: "primary" for one in study.primary} | {one.name: "secondary" for one in study.secondary}
    rows = [
        {
            "place": place,
            "analysis": one.name,
            "role": roles.get(one.name, "subgroup"),
            "kind": one.kind,
            "tests": ", ".join(one.tests),
            "measures": ", ".join(one.measures or one.statistics),
            "group_by": one.group_by or (one.pairs_of if one.kind == "agreement" else OVERALL),
            "tables": ", ".join(tables_of(one)),
            "status": statuses[one.name],
        }
        for place, one in enumerate(study.analyses, 1)
    ]
    return conform("study_analyses", pl.DataFrame(rows))


def population_table(study: Study, counted: Mapping[int, tuple[int, int]], status: str) -> pl.DataFrame:
    """Return the table `study_population`."""
    rows = [
        {
            "place": place,
            "filter": name,
            "exams": counted.get(place, (0, 0))[0],
            "participants": counted.get(place, (0, 0))[1],
        }
        for place, name in enumerate(["the population of the study", *map(_words, _filters(study))])
    ]
    return conform("study_population", pl.DataFrame(rows), status=status)


def _filters(study: Study) -> Iterator[tuple[str, str, str]]:
    for one in study.selection.population:
        values = " and ".join(map(str, one.values)) if one.comparison == "between" else ", ".join(map(str, one.values))
        yield one.name, one.comparison.replace("_", " "), values


def _words(parts: tuple[str, str, str]) -> str:
    return " ".join(part for part in parts if part)


def _accuracy(analysis: StudyAnalysis, study: Study) -> pl.Expr:
    groups = [*_everybody(study), *([analysis.group_by] if analysis.group_by else [])]
    return (
        pl.col("maneuver").is_in(analysis.tests)
        & pl.col("measure").is_in(analysis.measures)
        & pl.col("group_by").is_in(groups)
        & pl.col("adjustment").is_in(study.adjustments)
    )


def _comparisons(analysis: StudyAnalysis, study: Study) -> pl.Expr:
    return (
        pl.col("maneuver_a").is_in(analysis.tests)
        & pl.col("maneuver_b").is_in(analysis.tests)
        & pl.col("measure").is_in(analysis.measures)
        & pl.col("group_by").is_in([OVERALL, *([analysis.group_by] if analysis.group_by else [])])
        & pl.col("adjustment").is_in(study.adjustments)
    )


def _interactions(analysis: StudyAnalysis, study: Study) -> pl.Expr:
    named = [*analysis.tests] if analysis.kind != "paired" else [between_tests(analysis.tests, study)]
    return (
        pl.col("maneuver").is_in(named)
        & pl.col("measure").is_in(analysis.measures)
        & (pl.col("group_by") == analysis.group_by)
        & pl.col("adjustment").is_in(study.adjustments)
    )


def _group_methods(analysis: StudyAnalysis, _study: Study) -> pl.Expr:
    return (
        pl.col("maneuver").is_in(analysis.tests)
        & pl.col("measure").is_in(analysis.measures)
        & (pl.col("group_by") == analysis.group_by)
    )


def _changes(analysis: StudyAnalysis, _study: Study) -> pl.Expr:
    return pl.col("intervention") == analysis.name


def _agreement(analysis: StudyAnalysis, study: Study) -> pl.Expr:
    pairs = [analysis.pairs_of, *(["examiner_pair"] if study.with_examiners else [])]
    return (
        pl.col("maneuver").is_in(analysis.tests)
        & pl.col("group_by").is_in(pairs)
        & pl.col("statistic").is_in(analysis.statistics)
    )


def in_order(tests: tuple[str, ...], study: Study) -> tuple[str, str]:
    """Return the two tests of a paired analysis in the order of the protocol's tests."""
    one, other = (test.code for test in study.selection.tests if test.code in tests)
    return one, other


def between_tests(tests: tuple[str, ...], study: Study) -> str:
    """Return how a difference between two tests is named where it takes a test's place in a table."""
    one, other = in_order(tests, study)
    return f"{one} minus {other}"


_ROWS = {
    "accuracy": _accuracy,
    "comparisons": _comparisons,
    "interactions": _interactions,
    "agreement": _agreement,
    "changes": _changes,
    "change_context": _changes,
    METHODS: _group_methods,
    CASE_MIX: _group_methods,
}
