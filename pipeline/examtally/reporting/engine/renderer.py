"""Turn a report into pages: execute its cells, then let Quarto, or pandoc where Quarto is not installed, set the text.

Both renderers read the same executed text, front matter, Lua filter and style sheet. Everything happens in a copy of
the reports folder with the results folder beside it; the finished pages are moved into place at the end, so that a
report that fails leaves nothing behind.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import yaml

from examtally.contracts.catalogue.clinical import Noun
from examtally.errors import ReportError
from examtally.files import private_files, whole_file
from examtally.fonts import embed_in_page, font_folder
from examtally.registry.scratch import scratch
from examtally.reporting.engine import figures, typesetting
from examtally.reporting.engine.document import finish
from examtally.reporting.engine.executor import Report, execute, read_report
from examtally.reporting.engine.layout import Layout
from examtally.reporting.engine.policy import seal_page
from examtally.reporting.engine.project import FORMATS, HOUSE, PROFILE, bibliography, pandoc_options
from examtally.reporting.engine.wording import as_written, speak_of
from examtally.resources import reports_folder

WRITERS = {"html": "html5", "docx": "docx", "pdf": "typst"}
"""The formats of a report, and how pandoc calls the writer of each."""

_SCRIPT = Path("_extensions") / HOUSE / "house.html"  # the one script of every page
_TROUBLE = re.compile(r"\b(error|warning|warn)\b", re.I)
_FRAME = re.compile(r'.*?<body[^>]*>\s*<header.*?</header>\s*(?:<nav id="TOC".*?</nav>)?', re.S)
_CARRIED = re.compile(r"(?<=\]\(data:text/csv;base64,)[\w+/=]+")  # of a link: words have their brackets escaped
_NUMBERED = re.compile(r'(?<= href="data:text/csv;base64,)[0-9]{8}(?=")')
_SHEET = re.compile(rf'<link rel="stylesheet" href="(_extensions/{HOUSE}/\w+\.css)" />')
_PICTURE = re.compile(rf'(?<=<img src=")({figures.FOLDER}/[\w-]+\.svg)(?=")')
_STYLE = re.compile(r"<style>.*?</style>", re.S)
_REMARK = re.compile(r"[ \t]*/\*.*?\*/", re.S)
_COLOR = re.compile(r"\x1b\[[0-9;]*m")


def render(
    name: str,
    results: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    source: Path | None = None,
    page: str | None = None,
    params: Mapping[str, object] | None = None,
    layout: Layout | None = None,
) -> list[Path]:
    """Render `reports/<name>.qmd` over a results folder and return the pages written, in the order of `formats`.

    `source` names a folder that does not exist yet; the text, the figures and a copy of the results are left there for
    who wants to change the report and render it with Quarto. `page` is the name of the pages where it is not that of
    the report; `params` are the parameters of its cells but for `results`. Raises ReportError; nothing is written then.
    """
    _check(formats, source)
    keep_apart(results, out_dir)
    with scratch() as folder:
        work = folder / "report"
        shutil.copytree(reports_folder(), work, ignore=shutil.ignore_patterns("_site", ".quarto", "results", "fig"))
        shutil.copytree(results, work / "results")
        layout = layout or Layout()
        csl = layout.place_style(work)
        report = read_report(work / f"{name}.qmd")
        if csl:
            report = replace(report, front={**report.front, "csl": csl})
        with contextlib.chdir(work), figures.saved_as("png" if "docx" in formats else "svg"):
            speak_of(None)
            body = execute(report, params)
        if Noun.is_marked(body):
            raise ReportError(f"{report.name} holds a mark of the joint's noun; print it through `plain.show`")
        pages = [_page(report, body, work, form, layout) for form in formats]
        written = [
            put_page(made, out_dir / f"{page or name}.{form}") for made, form in zip(pages, formats, strict=True)
        ]
        if source is not None:
            shutil.copytree(work, source)
    return written


def keep_apart(results: Path, out_dir: Path) -> None:
    """Refuse to write into a results folder, which a later analysis would then not replace; raises ReportError."""
    if out_dir.resolve().is_relative_to(results.resolve()):
        raise ReportError("no report goes into its results folder; name another folder with --out")


def _check(formats: Sequence[str], source: Path | None) -> None:
    unknown = [form for form in formats if form not in WRITERS]
    if not formats:
        raise ReportError(f"no format is named; choose from {', '.join(WRITERS)}")
    if unknown:
        raise ReportError(f"no such format: {', '.join(unknown)}; choose from {', '.join(WRITERS)}")
    if source is not None and source.exists():
        raise ReportError(f"{source} exists already; name a folder that does not")


def _page(report: Report, body: str, work: Path, form: str, layout: Layout) -> Path:
    """Write the executed text beside the report and set it in one format."""
    text = work / f"{Path(report.name).stem}.executed.qmd"
    front = {key: value for key, value in report.front.items() if key != "jupyter"} | {"engine": "markdown"}
    text.write_text(f"---\n{yaml.safe_dump(front, sort_keys=False, allow_unicode=True)}---\n{body}", encoding="utf-8")
    target = work / f"{Path(report.name).stem}.{form}"
    quarto = shutil.which("quarto")
    if quarto is None:
        _pandoc(report.front, text, target, form)
    else:
        _quarto(quarto, text, target, form)
    if form == "docx" and target.is_file():
        finish(target, work / figures.FOLDER, as_written(work, "group"), for_review=layout.for_review)
    if not target.is_file():
        raise ReportError(f"{report.name}: the renderer wrote no {form} page")
    if form == "html":
        script = (work / _SCRIPT).read_text(encoding="utf-8") if (work / _SCRIPT).is_file() else ""
        page = seal_page(embed_in_page(_with_main(target.read_text(encoding="utf-8"))), script, report.name)
        target.write_text(page, encoding="utf-8")
    return target


def _with_main(page: str) -> str:
    """A page whose content stands in a landmark of its own, between its contents and its script."""
    match = _FRAME.match(page)
    if match is None or "<main" in page:
        return page
    end = max(page.rfind("<script>"), match.end())
    end = end if end > match.end() else page.rfind("</body>")
    return f"{match.group()}<main>{page[match.end() : end]}</main>\n{page[end:]}"


def _quarto(program: str, text: Path, target: Path, form: str) -> None:
    """Quarto exits 0 after an error in a Lua filter, so what it says is read too; its cause reaches the user."""
    command = [program, "render", text.name, "--profile", PROFILE, "--to", f"{HOUSE}-{FORMATS[form]}"]
    done = _run([*command, "--output", target.name], text.parent)
    said = [line.strip() for line in _COLOR.sub("", done.stderr).splitlines() if line.strip()]
    first = next((number for number, line in enumerate(said) if _TROUBLE.search(line)), None)
    if done.returncode != 0 or first is not None:
        cause = " ".join(said[first : first + 3]) if first is not None else " ".join(said[-2:])
        raise ReportError(f"{text.name}: Quarto: {cause or 'it gave no reason'} (exit {done.returncode})")


def _pandoc(front: Mapping[str, Any], text: Path, target: Path, form: str) -> None:
    """Pandoc reads no file and no address, and is held to silence: a word on its standard error is an error.

    What a page carries is put in afterwards, since pandoc would go through each letter of it: the figures behind a
    link, pictures, the style. Typst sets the PDF in a folder that holds the text and its figures alone.
    """
    behind: list[str] = []

    def numbered(data: re.Match[str]) -> str:
        behind.append(data.group())
        return f"{len(behind) - 1:08d}"

    said = _CARRIED.sub(numbered, text.read_text(encoding="utf-8"))
    written = target.with_suffix(".typ") if form == "pdf" else target
    command = [
        str(packed_pandoc()),
        "--from=markdown-implicit_figures-raw_html-raw_tex-native_divs-native_spans",
        "--sandbox",
        f"--to={WRITERS[form]}",
        f"--output={written.name}",
        "--standalone",
        "--wrap=none",
        "--metadata=document-css:false",
        *pandoc_options(text.parent, front, form),
        *bibliography(text.parent, front),
    ]
    done = _run(command, text.parent, said)
    if done.returncode != 0 or done.stderr.strip():
        raise ReportError(f"{text.name}: pandoc: {_cause(done.stderr) or f'exit {done.returncode}'}")
    if form == "html":
        page = _NUMBERED.sub(lambda number: behind[int(number.group())], target.read_text(encoding="utf-8"))
        target.write_text(_in_one(page, text.parent), encoding="utf-8")
    if form == "pdf":
        target.write_bytes(typesetting.typeset_file(written, written.parent / figures.FOLDER))


def _in_one(page: str, folder: Path) -> str:
    """A page with its figures and the style sheets of the house in it, these without remarks.

    A page that names another file is refused when it is sealed.
    """

    def sheet(named: re.Match[str]) -> str:
        return f"<style>\n{(folder / named.group(1)).read_text(encoding='utf-8')}</style>"

    def picture(named: re.Match[str]) -> str:
        return f"data:image/svg+xml;base64,{b64encode((folder / named.group(1)).read_bytes()).decode('ascii')}"

    styled = _STYLE.sub(lambda style: _REMARK.sub("", style.group()), _SHEET.sub(sheet, page))
    return _PICTURE.sub(picture, styled)


def packed_pandoc() -> Path:
    """The pandoc that comes with a package. One on PATH or in the home folder is never run: who knows what it is."""
    name = "pandoc.exe" if sys.platform == "win32" else "pandoc"
    package = find_spec("pypandoc")
    path = Path((package and package.origin) or "").parent / "files" / name
    if not path.is_file():
        raise ReportError("pandoc is missing; reinstall pypandoc-binary, which brings it")
    return path


def _cause(said: str) -> str:
    """The first line that pandoc says; of a filter that stopped it the reason, without the place in the filter."""
    lines = [line.strip() for line in said.strip().splitlines()]
    if len(lines) > 1 and lines[0].startswith("Error running filter"):
        return re.sub(r"^\S+\.lua:[0-9]+: ", "", lines[1])
    return lines[0] if lines else ""


def _run(command: list[str], folder: Path, said: str | None = None) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"SOURCE_DATE_EPOCH": "0", "TYPST_FONT_PATHS": str(font_folder())}
    return subprocess.run(
        command, cwd=folder, env=env, input=said, capture_output=True, text=True, encoding="utf-8", check=False
    )


def put_page(page: Path, target: Path) -> Path:
    """Move a finished page into place in one step; raises ReportError where it cannot be written."""
    try:
        with private_files():
            target.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as part:
            shutil.copyfile(page, part)
    except OSError as error:
        raise ReportError(f"{target} cannot be written: {error.strerror}; choose another --out folder") from error
    return target
