"""Reports and releases from Python: of results in memory or of a results folder, each kind with its own options."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from examtally.disclosure.release import Approval
from examtally.errors import ReportError
from examtally.registry.scratch import scratch
from examtally.reporting.change_page import render_change
from examtally.reporting.condition_page.making import render_cards, render_conditions
from examtally.reporting.examiner_sheet.making import render_lead, render_sheets
from examtally.reporting.manuscript.paper import render_study
from examtally.reporting.monthly.month import render_monthly
from examtally.reporting.reports import (
    render_actions,
    render_audit,
    render_intake,
    render_network,
    render_release,
    render_shelf,
)
from examtally.reporting.supervisor_page import render_supervisor
from examtally.resources import reports_from
from examtally.results import Results
from examtally.studies import StudyResults

Kind = Literal[
    "audit",
    "monthly",
    "condition",
    "card",
    "examiner",
    "index",
    "intake",
    "study",
    "actions",
    "change",
    "network",
    "supervisor",
    "lead",
]
Progress = Callable[[str], object]

_KINDS: Mapping[Kind, tuple[Callable[..., list[Path]], frozenset[str]]] = {
    "audit": (render_audit, frozenset({"formats", "source"})),
    "monthly": (render_monthly, frozenset({"formats", "period", "actions"})),
    "condition": (render_conditions, frozenset({"formats", "condition"})),
    "card": (render_cards, frozenset({"formats", "condition"})),
    "examiner": (render_sheets, frozenset({"formats", "examiner"})),
    "index": (render_shelf, frozenset()),
    "network": (render_network, frozenset({"formats"})),
    "intake": (render_intake, frozenset({"batch"})),
    "study": (render_study, frozenset({"formats", "source"})),
    "actions": (render_actions, frozenset({"formats", "actions"})),
    "change": (render_change, frozenset({"formats"})),
    "supervisor": (render_supervisor, frozenset({"formats"})),
    "lead": (render_lead, frozenset({"formats"})),
}


def report(
    results: Results | StudyResults | Path | str,
    out: Path | str,
    kind: Kind | None = None,
    *,
    formats: Sequence[str] | None = None,
    period: str | None = None,
    actions: Path | None = None,
    condition: str | None = None,
    examiner: str | None = None,
    batch: int | None = None,
    source: Path | None = None,
    reports: Path | None = None,
    progress: Progress | None = None,
) -> list[Path]:
    """Render a report into the folder `out` and return the pages written.

    `results` are those of an analysis or a study, or the folder of either. `kind` is audit (the default), monthly
    (with `period`, and `actions`), condition or card (with `condition`, a code, or all), examiner (with `examiner`, or
    all), lead, index, intake (with `batch`, or all), actions (with `actions`), change, supervisor or study (the default
    for a study in memory). `formats` are html, docx and pdf, as far as a kind is made in them; `reports` is a group's
    own copy of the texts. Raises ReportError for an option that the kind
    does not take and ResultsError where the folder is no whole results folder; nothing is written then.

        et.report(results, "report")
        et.report("results", "report", "card", condition="acl_tear", formats=["pdf"])
    """
    chosen: Kind = kind or ("study" if isinstance(results, StudyResults) else "audit")
    if chosen not in _KINDS:
        raise ReportError(f"kind: there is no report {chosen!r}; use one of {', '.join(_KINDS)}")
    given: dict[str, Any] = {"formats": formats, "period": period, "actions": actions, "condition": condition}
    given |= {"examiner": examiner, "batch": batch, "source": source}
    options = {name: value for name, value in given.items() if value is not None}
    render, takes = _KINDS[chosen]
    strange = sorted(options.keys() - takes)
    if strange:
        raise ReportError(
            f"the report {chosen} takes no {', '.join(strange)}; it takes {', '.join(sorted(takes)) or 'no option'}"
        )
    if chosen == "monthly" and period is None:
        raise ReportError("the report monthly needs a period, such as period='2026-03' or 'P012'")
    with reports_from(reports), _folder(results) as folder:
        return render(folder, Path(out), **options, progress=progress)


def release(
    results: Results | Path | str,
    out: Path | str,
    *,
    registry: Path | str,
    earlier: Sequence[Path] = (),
    approved_by: str | None = None,
    because: str | None = None,
    operator: str | None = None,
    formats: Sequence[str] = ("html",),
    progress: Progress | None = None,
) -> list[Path]:
    """Make a release at `out`: what may leave the group; return its folder, its disclosure log and its pages.

    It is held against everything that went out of `registry` before, whose log it enters, and against the release
    folders that `earlier` names. The disclosure log says what was left out and why, and stays inside. `approved_by` (a
    role, no name) with `because` lets the table of everybody stand with its small counts; `operator` is a coded
    identifier. Raises DisclosureError where the release may not go out; nothing is written then.

        et.release(results, "outside", registry="registry.duckdb")
    """
    if (approved_by is None) != (because is None):
        raise ReportError("give approved_by and because together")
    approval = Approval(approved_by, because) if approved_by is not None and because is not None else None
    with _folder(results) as folder:
        return render_release(
            folder,
            Path(out),
            registry=Path(registry),
            earlier=earlier,
            approval=approval,
            operator=operator,
            formats=formats,
            progress=progress,
        )


@contextmanager
def _folder(results: Results | StudyResults | Path | str) -> Iterator[Path]:
    """The folder of results; those in memory are written to one that is gone afterwards."""
    if not isinstance(results, Results | StudyResults):
        yield Path(results)
        return
    with scratch() as inner:
        yield results.write(inner / "results")
