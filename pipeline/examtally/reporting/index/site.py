"""The site that Quarto makes of the reports: pages of conditions and months are laid out before, and taken away after.

Quarto runs `_site_before.py` and `_site_after.py` of the project, which call this module.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from examtally.errors import ReportError
from examtally.reporting.audit.audit import open_audit
from examtally.reporting.condition_page.page import reportable_conditions

MONTHS = 12
"""How many months the archive of the site goes back."""

_MARK = "# Laid out for the site and taken away after it; change the text it is made of instead.\n"
_ALL = "QUARTO_PROJECT_RENDER_ALL"  # set by Quarto where the whole project is rendered


def lay_pages(folder: Path = Path()) -> list[Path]:
    """Write `condition-<code>.qmd` and `monthly-<period>.qmd` for the results that the reports read; return them.

    A page of such a name that a group wrote itself is left alone. Nothing is done where a single page is rendered.
    Raises ResultsError where there are no results.
    """
    if os.environ.get(_ALL) != "1":
        return []
    audit = open_audit("results", folder)
    pages = [("condition", one.code, one.name) for one in reportable_conditions(audit)]
    months = audit.table("indicators")["period"].drop_nulls().unique().sort().to_list()[-MONTHS:]
    pages += [("monthly", one, f"Monthly quality report, {one}") for one in months]
    return list(_laid(folder, pages))


def take_away(folder: Path = Path()) -> None:
    """Remove the pages that `lay_pages` wrote."""
    for path in folder.glob("*.qmd"):
        if _is_laid(path):
            path.unlink()


def _laid(folder: Path, pages: list[tuple[str, str, str]]) -> Iterator[Path]:
    for kind, which, title in pages:
        path = folder / f"{kind}-{which}.qmd"
        if path.exists() and not _is_laid(path):
            continue
        key = {"condition": "condition", "monthly": "period"}[kind]
        text = (folder / f"{kind}.qmd").read_text(encoding="utf-8")
        path.write_text(_filled(f"{kind}.qmd", text, {"title: ": title, f"{key} = ": f'"{which}"'}), encoding="utf-8")
        yield path


def _filled(name: str, text: str, lines: Mapping[str, str]) -> str:
    """The text of a report with other values on its first lines that begin so, and the mark in its front matter."""
    for start, value in lines.items():
        match = re.search(rf"^{re.escape(start)}.*$", text, re.M)
        if match is None:
            raise ReportError(f"{name} has no line '{start}…', so no page of the site can be made of it")
        text = f"{text[: match.start()]}{start}{value}{text[match.end() :]}"
    return text.replace("---\n", f"---\n{_MARK}", 1)


def _is_laid(path: Path) -> bool:
    return _MARK in path.read_text(encoding="utf-8")[: len(_MARK) + 4]
