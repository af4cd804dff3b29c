"""Sheets made one an examiner, several at once, each from the part of the results that it may hold."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import polars as pl

from examtally.contracts.catalogue.local import Kept
from examtally.errors import ReportError
from examtally.processes import processes
from examtally.registry import open_registry
from examtally.registry.joints import check_catalogue
from examtally.registry.scratch import scratch
from examtally.reporting.audit.between_examiner_variation import CORRECTED
from examtally.reporting.engine.renderer import render
from examtally.reporting.examiner_sheet.sheet import FEWEST_OTHERS, examiners_in
from examtally.reporting.index.listing import shelve
from examtally.resources import reports_folder, reports_from
from examtally.results import Results, read_results
from examtally.results.review import review

_ALL_EXAMINERS = ("tallies",)
_TABLES = (
    *("tallies", "accuracy", "cohort_summary", "examiner_spread", "examiner_probability"),
    *("agreement", "calibration", "calibration_curve", "learning"),
)
_OWNER_ONLY = 0o700
_WORTH_A_PROCESS = 5
"""Sheets that take as long as it takes a process to start and load what they need."""
_NO_ROWS = "the results hold no rows about persons; analyze again with --with-examiners"


def render_sheets(
    results_dir: Path,
    out_dir: Path,
    *,
    examiner: str | None = None,
    registry: Path | None = None,
    operator: str | None = None,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the sheet of `examiner`, or everybody's, into `out_dir` (mode 0700) and return the pages written.

    With the `registry` that the results were made from, the sheet of one examiner lists confirmed cases to look at
    again, by the codes of their exams; the opening is noted in its log. Raises ResultsError where the folder is not a
    whole results folder and ReportError where the results hold no rows about persons or none of this examiner; nothing
    is written then.
    """
    results = read_results(results_dir)
    known = examiners_in(results.tables["tallies"]) if "tallies" in results.tables else []
    if not known:
        raise ReportError(_NO_ROWS)
    if examiner is not None and examiner not in known:
        raise ReportError("the results hold no exam by that examiner; use a code that stands in the exams analysed")
    chosen = known if examiner is None else [examiner]
    if registry is not None and examiner is None:
        raise ReportError("cases to look at again are listed for one examiner: name one with --examiner")
    cases = _cases(registry, results, examiner, operator) if registry is not None and examiner is not None else "[]"
    if progress is not None:
        progress(f"rendering {len(chosen)} sheets" if len(chosen) > 1 else "rendering the sheet")
    out_dir.mkdir(parents=True, exist_ok=True)
    out_dir.chmod(_OWNER_ONLY)
    with scratch() as inner:
        parts = []
        for number, one in enumerate(chosen):
            part = inner / str(number)
            _of(results, one).write(part)
            parts.append(part)
        work = partial(_render, out_dir=out_dir, formats=tuple(formats), cases=cases, reports=reports_folder())
        number = min(len(chosen) // _WORTH_A_PROCESS, os.cpu_count() or 1)
        if number < 2:
            return [page for one, part in zip(chosen, parts, strict=True) for page in work(one, part)]
        with processes(number) as pool:
            return [page for pages in pool.map(work, chosen, parts) for page in pages]


def _cases(registry: Path, results: Results, examiner: str, operator: str | None) -> str:
    """Contradicted exams of this examiner as JSON, missed conditions first; those in other records are refused."""
    with open_registry(registry) as opened:
        is_same = opened.fingerprint() == results.provenance.registry
        if is_same and results.provenance.catalogue:
            check_catalogue(opened.con, Kept(**results.provenance.catalogue), "the results were")
    if not is_same:
        raise ReportError("the results are not of the records in this registry; analyze it again")
    found = review(registry, results.protocol, examiner=examiner, operator=operator)
    return json.dumps(
        found.select("exam_id", "condition", "maneuver", "finding", "probability", "reference").to_dicts()
    )


def render_lead(
    results_dir: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the audit lead's own copy, examiners one by one, as `lead` into `out_dir` (mode 0700); return the pages.

    Raises ResultsError where the folder is not a whole results folder and ReportError where the results hold no rows
    about persons or the folder holds pages of the group; nothing is written then.
    """
    results = read_results(results_dir)
    if not results.has_examiners:
        raise ReportError(_NO_ROWS)
    if out_dir.is_dir() and shelve(out_dir):
        raise ReportError("pages of the group lie in this folder; name with --out another, for the audit lead alone")
    if progress is not None:
        progress("rendering the audit lead's copy")
    out_dir.mkdir(parents=True, exist_ok=True)
    out_dir.chmod(_OWNER_ONLY)
    return render("lead", results_dir, out_dir, formats=formats)


def _of(results: Results, examiner: str) -> Results:
    """What the sheet of one examiner is made from: own rows, everybody's together, and counts of the others."""
    tables = {}
    for name in _TABLES:
        if name not in results.tables:
            continue
        frame = results.tables[name]
        if "examiner_id" in frame.columns:
            frame = frame.filter(pl.col("examiner_id") == examiner)
        elif "group_by" in frame.columns:
            is_own = pl.col("group_by").is_in(["examiner", "examiner_supervisor"]) & (pl.col("group") == examiner)
            kept = pl.col("group_by").is_in(["overall", "period"]) | is_own | _of_learners(name, frame, examiner)
            frame = frame.filter(kept | _others(name))
        tables[name] = frame
    return Results(tables, results.provenance)


def _of_learners(name: str, frame: pl.DataFrame, examiner: str) -> pl.Expr:
    """Rows of all learners together, where enough others are among them that own rows do not give theirs away."""
    if name != "agreement":
        return pl.lit(value=False)
    others = frame.filter(pl.col("group") != examiner, pl.col("pairs") > 0, group_by="examiner_supervisor")
    many = others.group_by("maneuver").agg(pl.col("group").n_unique()).filter(pl.col("group") >= FEWEST_OTHERS)
    return (pl.col("group_by") == "learner_supervisor") & pl.col("maneuver").is_in(many["maneuver"].to_list())


def _others(name: str) -> pl.Expr:
    """Rows of everybody that a figure of the others is made from: counts, and pooled figures for their median."""
    if name == "accuracy":
        return (pl.col("group_by") == "examiner") & (pl.col("adjustment") == CORRECTED)
    return (pl.col("group_by") == "examiner") & pl.lit(name in _ALL_EXAMINERS)


def _render(
    examiner: str, results: Path, out_dir: Path, formats: Sequence[str], cases: str, reports: Path
) -> list[Path]:
    with reports_from(reports):  # a fresh process does not know it
        page, params = f"examiner-{examiner}", {"examiner": examiner, "cases": cases}
        return render("examiner", results, out_dir, formats=formats, page=page, params=params)
