"""The reports that lie in a folder, by kind and period, newest first."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote

import yaml

from examtally.reporting.engine.tables import raw_html

INDEX = "index"
SITE = "_quarto-site.yml"  # of a Quarto project; it names the pages of its site
KINDS: Mapping[str, str] = {
    "audit": "Audit",
    "actions": "Conclusions and actions",
    "monthly": "Monthly quality reports",
    "condition": "One page a condition",
    "card": "Cards",
    "maneuvers": "Maneuvers",
    "study": "Studies",
    "release": "Releases",
    "intake": "Intake checks",
    "audit-annex": "Annex to the audit",
}
"""Kinds of report by the beginning of the file's name, in the order of the index."""
_ANSWERS: Mapping[str, str] = {
    "audit": "What each maneuver can be trusted for, and what to do next.",
    "actions": "Everything to do, with its figure, its owner and when it is measured again.",
    "monthly": "Missed injuries, signals and decisions, for the committee.",
    "condition": "Every maneuver for one condition, alone and together.",
    "card": "The figures of one condition for the pocket.",
    "maneuvers": "How each maneuver is done, and what to rule out first.",
    "release": "What has left the group.",
    "intake": "What is wrong with a batch of records.",
    "audit-annex": "Groups, agreement, learners, sensitivity analyses and records behind the audit.",
}

_NAMED = ("condition", "card")  # their titles are the names of conditions
_FORMS = (".html", ".pdf", ".docx")
_FORM = {"pdf": "PDF", "docx": "document"}
_NAME = re.compile(rf"(?P<kind>{'|'.join(sorted(KINDS, key=len, reverse=True))})(?:-(?P<which>[\w.-]+))?", re.A)


@dataclass(frozen=True)
class Shelved:
    """One report: its kind, the period or other code in its name, its title, and the files by format."""

    kind: str
    which: str
    title: str
    files: Mapping[str, str]


def shelve(folder: Path) -> tuple[Shelved, ...]:
    """The reports in `folder` itself; folders inside it, where sheets of examiners may lie, are not looked into.

    Of a Quarto project the pages of its site, which lie in it as texts while it is rendered.
    """
    if (folder / SITE).is_file():
        return _site_pages(folder)
    files: dict[str, dict[str, str]] = {}
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        if path.is_file() and path.suffix in _FORMS and _NAME.fullmatch(path.stem):
            files.setdefault(path.stem, {})[path.suffix[1:]] = path.name
    return tuple(_shelved(folder, stem, forms) for stem, forms in files.items())


def sections(reports: Sequence[Shelved]) -> str:
    """A heading and a list for each kind, newest period first; said where there is none."""
    if not reports:
        return "No report lies in this folder yet. `examtally report` makes them."
    parts: list[str] = []
    for kind, heading in KINDS.items():
        rows = sorted((report for report in reports if report.kind == kind), key=_order, reverse=kind == "monthly")
        if rows:
            lead = "**Start here.** " if not parts else ""
            items = raw_html("<ul>" + "".join(map(_line, rows)) + "</ul>")
            parts.append(f"## {heading}\n\n{lead}{_ANSWERS.get(kind, '')}\n{items}")
    return "\n\n".join(parts)


def _line(row: Shelved) -> str:
    first, *others = [form for form in ("html", "pdf", "docx") if form in row.files]
    name = escape(_name(row))
    links = "".join(
        f', <a href="{quote(row.files[form])}">{_FORM[form]}<span class="away"> of {name}</span></a>' for form in others
    )
    return f'<li><a href="{quote(row.files[first])}">{name}</a>{links}</li>'


def _name(row: Shelved) -> str:
    if row.kind in _NAMED and "html" in row.files:
        return row.title
    which = row.which.replace("_", " ")
    return f"{which}: {row.title}" if which and row.kind == "monthly" else f"{row.title} {which}".strip()


def _order(row: Shelved) -> tuple[str, int, str]:
    digits = re.sub(r"\D", "", row.which)
    return (re.sub(r"\d", "", row.which), int(digits or 0), row.which)


def _shelved(folder: Path, stem: str, files: Mapping[str, str]) -> Shelved:
    match = _NAME.fullmatch(stem)
    assert match is not None
    title = _title(folder / files["html"]) if "html" in files else ""
    return Shelved(match["kind"], match["which"] or "", title or KINDS[match["kind"]], files)


def _site_pages(folder: Path) -> tuple[Shelved, ...]:
    """The pages that a site is made of, by the texts that lie in its project while it is rendered."""
    wanted = yaml.safe_load((folder / SITE).read_text(encoding="utf-8"))["project"]["render"]
    found = []
    for path in sorted({path for pattern in wanted for path in folder.glob(pattern)}):
        match = _NAME.fullmatch(path.stem)
        if match is not None:
            title = re.search(r"^title: (.*)$", path.read_text(encoding="utf-8"), re.M)
            named = title.group(1) if title else KINDS[match["kind"]]
            found.append(Shelved(match["kind"], match["which"] or "", named, {"html": f"{path.stem}.html"}))
    return tuple(found)


def _title(path: Path) -> str:
    """The text of the title element of a page; empty where it cannot be read."""
    parser = _TitleParser()
    with path.open(encoding="utf-8", errors="replace") as stream:
        parser.feed(stream.read(20_000))
    return " ".join("".join(parser.said).split())


class _TitleParser(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002 - as inherited
        self._inside = tag == "title"

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002 - as inherited
        self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.said.append(data)


def back() -> str:
    """A link to the index."""
    return raw_html(f'<p class="back"><a href="{INDEX}.html">All reports</a></p>')
