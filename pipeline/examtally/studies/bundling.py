"""From the results of a study to a bundle that may leave the group."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from examtally.contracts.results import empty
from examtally.contracts.study.parts import StudyAnalysis, leaves
from examtally.contracts.study.study import Study
from examtally.disclosure.folder import Release, read_release
from examtally.disclosure.ledger import Shown
from examtally.disclosure.publishing import prepare
from examtally.disclosure.release import Approval, Scope, make
from examtally.disclosure.selection import EXAMINERS
from examtally.errors import StudyError
from examtally.files import write_whole
from examtally.registry import open_registry
from examtally.registry.lock_wait import LockWait
from examtally.registry.scratch import new_folder
from examtally.results import Results
from examtally.studies.bundle import DATA, PACKAGE, Bundle
from examtally.studies.declared import OVERALL, rows_of
from examtally.studies.lock_status import EXPLORATORY, PRESPECIFIED
from examtally.studies.lockfile import check_sealed
from examtally.studies.reading import read_study
from examtally.studies.running import STUDY_FILE, StudyResults
from examtally.words import for_csv

_FEW = "because too few people stand behind them or behind what they would give away."
_FIGURES = ("accuracy", "comparisons", "interactions", "agreement")
_MAIN = {  # the table with the main result of each kind of analysis, and what tells its rows apart
    "accuracy": ("accuracy", ("maneuver", "group_by", "group", "measure", "adjustment")),
    "paired": ("comparisons", ("maneuver_a", "maneuver_b", "group_by", "group", "measure", "adjustment")),
    "by_group": ("interactions", ("maneuver", "group_a", "group_b", "measure", "adjustment")),
    "agreement": ("agreement", ("maneuver", "group_by", "group")),
    "change": ("changes", ("maneuver", "measure", "method")),
}


@dataclass(frozen=True)
class Written:
    """A bundle that was written, the log beside it, and in sentences what of the main result it lacks.

    `carries` says in any case whether the primary result is in it, `helps` what would bring in what is lacking.
    """

    folder: Path
    log: Path
    lacks: tuple[str, ...]
    carries: str
    helps: str = ""


def write_bundle(
    results: Path | str,
    out: Path | str,
    *,
    registry: Path | str,
    earlier: Sequence[Path] = (),
    approval: Approval | None = None,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Callable[[str], object] | None = None,
) -> Written:
    """Write the bundle of a study's results folder at `out`, and the log of what was left out beside it.

    It is held against every release and bundle in the ledger of `registry`, and against the folders named in `earlier`,
    and entered there. Raises StudyError where `out` is there or the folder is not of a study, DisclosureError where the
    bundle may not go out; nothing is written then.

        et.bundle("study-results", "bundle", registry="registry.duckdb").lacks
    """
    out = Path(out).resolve()
    found = read_study(results)
    if out.exists():
        raise StudyError(f"{out.name} is there already; name a folder that is not, with --out")
    if progress is not None:
        progress("choosing what may go out")
    if found.lock_status.locked:
        with open_registry(registry, lock_wait=lock_wait) as opened:
            check_sealed(
                opened.con, found.study.code, found.lock_status.locked, Path(STUDY_FILE), until=found.log_entry
            )
    known = [read_release(_released(folder)).shown for folder in earlier]
    ready = prepare(
        _releasable(found), registry, scope_of(found.study), earlier=known, approval=approval, lock_wait=lock_wait
    )
    made = _bundle(found, ready.made.release)
    log = out.with_name(f"{out.name}-disclosure-log.csv")
    try:
        with new_folder(out) as fresh:
            made.write(fresh)
            ready.enter("bundle", operator=operator, lock_wait=lock_wait)
            write_whole(log, for_csv(made.release.log).write_csv())
    except OSError as fault:
        raise StudyError(f"the bundle cannot be written ({fault.strerror}); name another --out") from None
    return Written(out, log, made.lacks, made.carries, _helps(found, made))


def scope_of(study: Study) -> Scope:
    """What a bundle is for: the figures the study declared, by the groups it declared, and no others."""
    groupings = dict.fromkeys(name for one in study.analyses for name in (one.group_by, one.pairs_of) if name)
    made_of = {test.code: frozenset(leaf.maneuver for leaf in leaves(test.rule)) for test in study.selection.tests}
    return Scope(tuple(groupings), _FIGURES, made_of)


def released(found: StudyResults, earlier: Sequence[Shown] = ()) -> Release:
    """Return what of a study may go out, with what went out before known; it is neither checked nor entered."""
    return _marked(found, make(_releasable(found), scope_of(found.study), earlier=earlier).release)


def _bundle(found: StudyResults, release: Release) -> Bundle:
    """The bundle of a study: what is released of it with everything that repeats it."""
    stands, versions = found.lock_status, found.results.provenance.versions
    made = _marked(found, release)
    lacks = lacking(found, made)
    today = datetime.now(UTC).date().isoformat()
    before = tuple(one.says for one in stands.asked_before)
    return Bundle(
        found.study, stands.locked, made, found.log_entry, stands.prespecified, versions, lacks, today, before
    )


def _releasable(found: StudyResults) -> Results:
    """The results of a study; one of agreement has no table of accuracy."""
    return replace(found.results, tables={"accuracy": empty("accuracy"), **found.results.tables})


def _marked(found: StudyResults, release: Release) -> Release:
    """The release with the status of the study's analyses."""
    statuses = set(found.results.study_analyses["status"])
    status = PRESPECIFIED if statuses == {PRESPECIFIED} else EXPLORATORY
    return replace(release, about={**release.about, "analysis_status": status})


def _released(folder: Path) -> Path:
    return folder / DATA if (folder / PACKAGE).is_file() else folder


def lacking(found: StudyResults, release: Release) -> tuple[str, ...]:
    """Say in sentences which figures of the primary analyses do not go out."""
    return tuple(sentence for one in found.study.primary if (sentence := _lacking(one, found, release)))


def _lacking(analysis: StudyAnalysis, found: StudyResults, release: Release) -> str:
    table, key = _MAIN[analysis.kind]
    rows = rows_of(table, analysis, found.study)
    frames = (found.results.tables.get(table), release.figures.get(table))
    if rows is None or frames[0] is None:
        return ""
    if "group_by" in frames[0].columns:
        rows &= pl.col("group_by").is_in([OVERALL, analysis.group_by or analysis.pairs_of])
    whole, shown = (
        set[tuple[str, ...]]() if one is None or one.is_empty() else set(_asked(one, rows, key)) for one in frames
    )
    missing = whole - shown
    if whole and not missing:
        return ""
    how_many = "all" if not shown & whole else f"{len(missing)} of {len(whole)}"
    return (
        f"The bundle lacks a main result: {how_many} of the figures of {analysis.name.replace('_', ' ')} are left out, "
        + ("because a change of examiners' accuracy stays inside." if table == "changes" else _FEW)
    )


def _helps(found: StudyResults, made: Bundle) -> str:
    """What would bring in what the bundle lacks of the main results; empty where nothing is lacking."""
    tests = {test for one in found.study.primary for test in one.tests}
    left = made.release.log.filter(pl.col("table") == "counts", pl.col("what") == "left out")
    of_tests = left.filter(pl.col("maneuver").is_in(list(tests)))
    whole = of_tests.filter(pl.col("group_by") == OVERALL).height
    groups = set(of_tests.filter(pl.col("group_by").is_in([one.group_by or "" for one in found.study.primary]))["why"])
    ways = [
        "more records" if whole or groups else "",
        "for the tables of everybody `--approved-by ROLE --because REASON`, from 50 people on" if whole else "",
        "in a new protocol larger groups, as acute, subacute+chronic or resident+fellow" if groups else "",
        "three examiners or more behind each group" if EXAMINERS in groups else "",
    ]
    said = "; ".join(filter(None, ways))
    if not made.lacks:
        return ""
    return f"What would help: {said}." if said else "Nothing would help: the paper goes out under your own governance."


def _asked(frame: pl.DataFrame, rows: pl.Expr, key: Sequence[str]) -> list[tuple[str, ...]]:
    """The declared rows of a table by their key; what goes out as it is does not stand for what was corrected."""
    missing = [pl.lit("none").alias("adjustment")] if "adjustment" not in frame.columns else []
    return frame.with_columns(missing).filter(rows).select(key).unique().rows()
