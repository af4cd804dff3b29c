"""The monthly report as pages: its period checked, the actions file read, the text rendered."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

from examtally.contracts.periods import PERIOD
from examtally.errors import ReportError, ResultsError
from examtally.reporting.monthly.actions import read_actions, to_text
from examtally.reporting.renderer import render
from examtally.results import read_results


def render_monthly(
    results_dir: Path,
    out_dir: Path,
    *,
    period: str,
    actions: Path | None = None,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the quality report of one period as `monthly-<period>`; return the pages in the order of `formats`.

    `actions` is the committee's own file of decisions. Raises ResultsError where the folder is not a whole results
    folder or was made without the indicators, ReportError for a period the registry has no exam of and for an actions
    file that is wrong; nothing is written then. A registry without any exam has a short report for every period.
    """
    results = read_results(results_dir)
    if "indicators" not in results.tables:
        raise ResultsError("the results hold no table 'indicators'; run `examtally analyze` again, without --only")
    known = results.tables["indicators"]["period"].unique().sort().to_list()
    if not re.fullmatch(PERIOD, period) or (known and period not in known):
        raise ReportError(f"there is no period {period!r}; use one of {_periods(known)}")
    decided = read_actions(actions) if actions is not None else ()
    if progress is not None:
        progress(f"rendering the quality report of {period}")
    beside = {"period.txt": period, "actions.json": to_text(decided)}
    return render("monthly", results_dir, out_dir, page=f"monthly-{period}", formats=formats, beside=beside)


def _periods(known: Sequence[str]) -> str:
    """The legal periods in words; of many, the first and the last."""
    if not known:
        return "a month as 2026-03, or an ordinal as P001"
    return ", ".join(known) if len(known) <= 12 else f"{known[0]} to {known[-1]} as the registry has them"
