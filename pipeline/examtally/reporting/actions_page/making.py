"""The page of conclusions and actions, made from a results folder and the committee's file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from examtally.reporting.engine.renderer import render
from examtally.reporting.monthly.actions import Action, from_text, read_actions, to_text
from examtally.results import read_results

ACTIONS_FILE = "actions.json"


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
    decided = read_actions(actions) if actions is not None else ()
    if progress is not None:
        progress("rendering the conclusions and actions")
    return render("actions", results_dir, out_dir, formats=formats, beside={ACTIONS_FILE: to_text(decided)})


def decisions_on_file() -> tuple[Action, ...]:
    """What the cells of the page read, from the folder they run in."""
    return from_text(Path(ACTIONS_FILE).read_text(encoding="utf-8"))
