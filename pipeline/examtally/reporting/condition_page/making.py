"""Pages and cards made one a condition, each from the part of the results that speaks of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.errors import ReportError
from examtally.registry.scratch import scratch
from examtally.reporting.audit.audit import Audit
from examtally.reporting.condition_page.page import reportable_conditions
from examtally.reporting.engine.renderer import render
from examtally.reporting.engine.wording import read_wording
from examtally.resources import reports_folder
from examtally.results import Results, read_results

Progress = Callable[[str], object]


def render_conditions(
    results_dir: Path,
    out_dir: Path,
    *,
    condition: str | None = None,
    formats: Sequence[str] = ("html",),
    progress: Progress | None = None,
) -> list[Path]:
    """Render the page of `condition`, or of every condition that something settles, as `condition-<code>`.

    Returns the pages written. Raises ResultsError where the folder is not a whole results folder and ReportError for a
    condition the catalogue does not know or that nothing settles; nothing is written then.
    """
    return _render("condition", results_dir, out_dir, condition, formats, progress)


def render_cards(
    results_dir: Path,
    out_dir: Path,
    *,
    condition: str | None = None,
    formats: Sequence[str] = ("html", "pdf"),
    progress: Progress | None = None,
) -> list[Path]:
    """The same for the one-page cards, as `card-<code>`."""
    return _render("card", results_dir, out_dir, condition, formats, progress)


def _render(
    kind: str, results_dir: Path, out_dir: Path, code: str | None, formats: Sequence[str], progress: Progress | None
) -> list[Path]:
    results = read_results(results_dir)
    audit = Audit(results, results.contract, results.protocol, read_wording(reports_folder()))
    pages: list[Path] = []
    for condition in _chosen(audit, code):
        if progress is not None:
            progress(f"rendering the {'card' if kind == 'card' else 'page'}: {condition.name}")
        with scratch() as inner:
            part = _of(results, condition).write(inner / "results")
            pages += render(
                kind,
                part,
                out_dir,
                formats=formats,
                page=f"{kind}-{condition.code}",
                params={"condition": condition.code},
            )
    return pages


def _chosen(audit: Audit, code: str | None) -> Sequence[Condition]:
    told = reportable_conditions(audit)
    if code is None:
        return told
    if code not in audit.catalogue.conditions:
        raise ReportError(f"there is no such condition; use one of {', '.join(item.code for item in told)}")
    condition = audit.catalogue.conditions[code]
    if condition not in told:
        raise ReportError(f"{condition.code} has no page: {condition.unsettled_note or 'nothing settles it here.'}")
    return (condition,)


def _of(results: Results, condition: Condition) -> Results:
    """What speaks of one condition, and what speaks of all; nothing of single examiners."""
    tables = {}
    for name, frame in results.tables.items():
        if "examiner_id" in frame.columns:
            continue
        if "condition" in frame.columns:
            frame = frame.filter(pl.col("condition") == condition.code)
        if "group_by" in frame.columns:
            frame = frame.filter(~pl.col("group_by").is_in(["examiner", "examiner_supervisor"]))
        tables[name] = frame
    return Results(tables, results.provenance)
