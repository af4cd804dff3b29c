"""The reports there are, each one function."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from examtally.errors import ReportError
from examtally.registry.lock_wait import LockWait
from examtally.registry.scratch import new_folder, scratch
from examtally.reporting.engine.renderer import keep_apart, put_page, render
from examtally.reporting.monthly.actions import named, read_actions
from examtally.resources import reports_folder
from examtally.results import read_results
from examtally.results.manifest import is_results_folder

if TYPE_CHECKING:
    from examtally.disclosure.release import Approval


def render_audit(
    results_dir: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    source: Path | None = None,
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the audit and its annex over a results folder; return the pages, the audit's first, in order of `formats`.

    Raises ResultsError where the folder is not a whole results folder and ReportError where the report cannot be made;
    nothing is written then. `source` names a folder, not there yet, in which text, figures and results are left.
    """
    read_results(results_dir)
    say = progress or (lambda _step: None)
    say("rendering the audit")
    pages = render("audit", results_dir, out_dir, formats=formats, source=source)
    say("rendering its annex")
    return [*pages, *render_annex(results_dir, out_dir, formats=formats)]


def render_annex(results_dir: Path, out_dir: Path, *, formats: Sequence[str] = ("html",)) -> list[Path]:
    """Render the annex of the audit alone; return the pages in the order of `formats`."""
    return render("audit-annex", results_dir, out_dir, formats=formats)


def copy_project(folder: Path, results_dir: Path | None = None) -> Path:
    """Copy the texts of all reports, a Quarto project, to `folder`, not there yet, with results beside them if named.

    Returns the folder. Raises ReportError where it is there and ResultsError where the results are not whole.
    """
    if folder.exists():
        raise ReportError(f"{folder} exists already; name a folder that does not")
    if results_dir is not None:
        read_results(results_dir)
    try:
        with new_folder(folder) as fresh:
            shutil.copytree(reports_folder(), fresh, dirs_exist_ok=True)
            if results_dir is not None:
                shutil.copytree(results_dir, fresh / "results")
    except OSError as error:
        raise ReportError(f"{folder.name} cannot be written: {error.strerror}; choose another --out") from None
    return folder


def render_actions(
    results_dir: Path,
    out_dir: Path,
    *,
    actions: Path | None = None,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the conclusions and actions as `actions`; return the pages in the order of `formats`.

    `actions` is the committee's own file of decisions. Raises ResultsError where the folder is not a whole results
    folder and ReportError for an actions file that is wrong; nothing is written then.
    """
    read_results(results_dir)
    if actions is not None:
        read_actions(actions)
    if progress is not None:
        progress("rendering the conclusions and actions")
    return render("actions", results_dir, out_dir, formats=formats, params={"actions": named(actions)})


def render_release(
    results_dir: Path,
    out_dir: Path,
    *,
    registry: Path,
    earlier: Sequence[Path] = (),
    approval: Approval | None = None,
    operator: str | None = None,
    formats: Sequence[str] = ("html",),
    lock_wait: LockWait | None = None,
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Make a release of a results folder at `out_dir`; return its folder, its log and its pages.

    It is held against every release and bundle in the ledger of `registry`, and against the folders named in `earlier`,
    and entered there. Raises DisclosureError where it may not go out; nothing is written then.
    """
    from examtally.disclosure.folder import read_release
    from examtally.disclosure.publishing import prepare
    from examtally.reporting.release import lend_catalogue

    say = progress or (lambda _step: None)
    keep_apart(results_dir, out_dir)
    say("choosing what may go out")
    known = [read_release(folder).shown for folder in earlier]
    results = read_results(results_dir)
    ready = prepare(results, registry, earlier=known, approval=approval, lock_wait=lock_wait)
    made = ready.made.release
    with scratch() as inner:
        say("rendering the release")
        lent = lend_catalogue(made.write(inner), results.provenance.catalogue)
        pages = render("release", lent, inner / "pages", formats=formats, page=made.name)
        say("entering it in the registry's log")
        ready.enter("release", operator=operator, lock_wait=lock_wait)
        folder = made.write(out_dir)
        moved = [put_page(page, out_dir / page.name) for page in pages]
    return [folder, made.log_in(out_dir), *moved]


def render_network(
    results_dir: Path,
    out_dir: Path,
    *,
    site: str | None = None,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render several groups together as `network`, or as `network-CODE` with the group `site` beside the others.

    Raises ResultsError where the folder is not a whole results folder and ReportError where it is not of several
    groups or `site` is none of them; nothing is written then.
    """
    from examtally.reporting.network import open_network

    codes = open_network(results_dir, reports_folder()).sites
    if site is not None and site not in codes:
        raise ReportError(f"--site: there is no group {site}; use one of {', '.join(codes)}")
    if progress is not None:
        progress("rendering the page of all groups")
    page = "network" if site is None else f"network-{site}"
    return render("network", results_dir, out_dir, formats=formats, page=page, params={"site": site or ""})


def render_intake(
    results_dir: Path,
    out_dir: Path,
    *,
    batch: int | None = None,
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the intake check of one batch, or of every batch, as `intake-<number>.html`; return the pages written.

    Raises ResultsError where the folder is not a whole results folder and ReportError where there is no such batch.
    """
    results = read_results(results_dir)
    known = results.tables["batches"]["batch_no"].unique().sort().to_list() if "batches" in results.tables else []
    if batch is not None and batch not in known:
        raise ReportError(
            f"there is no batch {batch}; use one of {', '.join(map(str, known)) or 'none: no batch is stored'}"
        )
    pages: list[Path] = []
    for number in known if batch is None else [batch]:
        if progress is not None:
            progress(f"rendering the intake check of batch {number}")
        pages += render("intake", results_dir, out_dir, page=f"intake-{number}", params={"batch": number})
    return pages


def render_shelf(results_dir: Path, folder: Path, *, progress: Callable[[str], object] | None = None) -> list[Path]:
    """Write the catalogue of maneuvers and the index of the reports in `folder` into it; return both pages.

    Raises ReportError where there is no such folder and ResultsError where `results_dir` is not a whole results
    folder; nothing is written then.
    """
    if not folder.is_dir():
        raise ReportError("there is no such folder; name with --out the folder in which the reports lie")
    if is_results_folder(folder):
        raise ReportError("this is a results folder; name with --out the folder in which the reports lie")
    read_results(results_dir)
    if progress is not None:
        progress("rendering the maneuvers and the index")
    pages = render("maneuvers", results_dir, folder)
    return [*render("index", results_dir, folder, params={"shelf": str(folder.resolve())}), *pages]
