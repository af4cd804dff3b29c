from __future__ import annotations

import base64
import html
import importlib
import json
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import DESK, chromium, open_file
from hostile import OF_EACH_KIND, hostile, listening
from programs import POPPLER, needs
from small_project import small_project
from word_document import read_document

from examtally.errors import ReportError
from examtally.reporting.engine import renderer
from examtally.reporting.engine.policy import seal_page
from examtally.resources import reports_from

FRONT = "---\ntitle: Words\n---\n"
CELL = """
```{python}
#| output: asis
import json
from pathlib import Path

import polars as pl

from examtally.reporting import plain
from examtally.reporting.engine import figures
from examtally.reporting.engine.tables import Column, details, table, tabs
from examtally.words import for_markdown

words = json.loads(Path("words.json").read_text())
frame = pl.DataFrame({"what": words, "group": words})
columns = (Column("what", words[0], words[1], words=True),)
plain.show(*(for_markdown(text) for text in words))
plain.show("## " + for_markdown(words[0]), plain.box(for_markdown(words[1]), "caution"))
plain.show(table(frame, columns, caption=words[2], group="group"), details(words[3], "Folded."))
plain.show(tabs(["### Left", "### Right"]))
for number, text in enumerate(words[:3]):
    figure = figures.paper(1.0)
    figure.add_axes((0, 0, 1, 1)).set_title(text)
    print(figures.publish(figure, f"one-{number}", caption=text, alt=" ".join(words), data=frame))
```
"""
BARE = """
```{python}
#| output: asis
import json
from pathlib import Path

print(json.loads(Path("words.json").read_text())[0])
```
"""


def _say(
    folder: Path,
    words: tuple[str, ...],
    text: str = CELL,
    *,
    formats: tuple[str, ...] = ("html",),
    is_guarded: bool = True,
) -> list[Path]:
    """Render the words in every place a report has, as pages in `folder`; or without the guard of the filter."""
    folder.mkdir(exist_ok=True)
    reports = small_project(folder / "reports")
    (reports / "small.qmd").write_text(FRONT + text, encoding="utf-8")
    (reports / "words.json").write_text(json.dumps(words), encoding="utf-8")
    if not is_guarded:
        filter_of = reports / "_extensions" / "house" / "house.lua"
        rules = filter_of.read_text(encoding="utf-8")
        assert "{ guard, numbered, house }" in rules
        filter_of.write_text(rules.replace("{ guard, numbered, house }", "{ numbered, house }"), encoding="utf-8")
    (folder / "results").mkdir()
    with pytest.MonkeyPatch.context() as patch, reports_from(reports):
        patch.setenv("PATH", "/usr/bin:/bin")
        return renderer.render("small", folder / "results", folder / "out", formats=formats)


@pytest.fixture(scope="module")
def spoken(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[dict[str, Path], tuple[str, ...], list[str]]]:
    """The pages of a report made of a few hostile texts, the texts, and what a server was asked for."""
    with listening() as (here, asked):
        words = tuple(hostile(here)[place] for place in OF_EACH_KIND)
        pages = _say(tmp_path_factory.mktemp("spoken"), words, formats=("html", "docx", "pdf"))
        yield {page.suffix[1:]: page for page in pages}, words, asked


_STRAIGHT = str.maketrans("‘’“”", "''\"\"")  # what typesetting makes of quotation marks, and three points one sign


def _one_line(text: str) -> str:
    return " ".join(text.split())


@needs("Chromium", "chromium")
def test_in_a_browser_hostile_words_stand_as_words(
    spoken: tuple[dict[str, Path], tuple[str, ...], list[str]],
) -> None:
    pages, words, asked = spoken
    with chromium() as browser:
        opened = open_file(browser, pages["html"], DESK)
        opened.page.wait_for_timeout(300)
        shown = _one_line(opened.page.inner_text("body"))
        title = opened.page.title()
        ours = opened.page.evaluate("[document.scripts.length, document.querySelectorAll('[role=tab]').length]")
    assert title == "Words"
    assert ours == [1, 2], "the script of the house runs, and no other"
    assert [text for text in words if _one_line(text) not in shown] == []
    assert [url for url in opened.asked if not url.startswith(("file:", "data:"))] == []
    assert (asked, opened.said) == ([], [])
    assert "root:" not in shown


def test_a_document_and_a_pdf_hold_hostile_words_as_words(
    spoken: tuple[dict[str, Path], tuple[str, ...], list[str]],
) -> None:
    pages, words, asked = spoken
    paragraphs = {_one_line(text) for text in read_document(pages["docx"]).paragraphs}
    assert [text for text in words if text not in paragraphs] == []
    assert "root:x" not in str(paragraphs)
    assert asked == []


@POPPLER
def test_a_pdf_holds_hostile_words_as_words(spoken: tuple[dict[str, Path], tuple[str, ...], list[str]]) -> None:
    pages, words, _asked = spoken
    said = subprocess.run(["pdftotext", str(pages["pdf"]), "-"], capture_output=True, text=True, check=True).stdout
    held = re.sub(r"\s", "", said).replace("…", "...").translate(_STRAIGHT)
    assert [text for text in words if re.sub(r"\s", "", text) not in held] == []
    assert "root:x" not in said


def test_figures_to_take_away_hold_no_formula(spoken: tuple[dict[str, Path], tuple[str, ...], list[str]]) -> None:
    page = spoken[0]["html"].read_text(encoding="utf-8")
    tables = [base64.b64decode(found).decode() for found in re.findall(r"data:text/csv;base64,([\w+/=]+)", page)]
    assert tables
    assert [line for text in tables for line in text.splitlines() if re.match(r'"?[=@+-]', line)] == []
    assert any("'=HYPERLINK" in text for text in tables)


@pytest.mark.parametrize(
    "text",
    [
        "```{=html}\n<script>1</script>\n```",
        "```{=html}\n<img src=x>\n```",
        '```{=html}\n<p onclick="1">a</p>\n```',
        '```{=html}\n<a href="javascript:1">a</a>\n```',
        '```{=typst}\n#read("/etc/passwd")\n```',
        "```{=openxml}\n<w:p/>\n```",
        "`<b>`{=html}",
        "![a](http://127.0.0.1:9/x.svg)",
        "![a](/etc/passwd)",
        "![a](../../secret.svg)",
        "[a](javascript:1)",
        "[a](http://127.0.0.1:9/)",
        "[a](data:text/html;base64,YQ==)",
    ],
)
def test_a_page_refuses_what_would_act_whoever_wrote_it(tmp_path: Path, text: str) -> None:
    with pytest.raises(ReportError, match=r"small\.executed\.qmd: pandoc: the page will not be made: its text holds"):
        _say(tmp_path, (text,), BARE)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("form", "said"), [("html", "it holds an address to fetch in img"), ("docx", "pandoc: .*Could not fetch resource")]
)
@pytest.mark.parametrize("picture", ["/etc/hostname", "../results/x.svg", "http://127.0.0.1:9/x.svg"])
def test_behind_the_guard_no_other_file_is_read(tmp_path: Path, picture: str, form: str, said: str) -> None:
    with pytest.raises(ReportError, match=said):
        _say(tmp_path, (f'![a]({picture}){{alt="b"}}',), BARE, formats=(form,), is_guarded=False)
    assert not (tmp_path / "out").exists()


def test_behind_the_guard_html_and_tex_in_a_text_are_words(tmp_path: Path) -> None:
    text = "<b onclick=1>bold</b> <div onclick=1>part</div> \\input{/etc/passwd}"
    (page,) = _say(tmp_path, (text,), BARE, is_guarded=False)
    assert "&lt;b onclick=1&gt;bold&lt;/b&gt; &lt;div onclick=1&gt;" in page.read_text(encoding="utf-8")


def test_behind_the_guard_a_page_with_a_foreign_script_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="a script that is not of the house"):
        _say(tmp_path, ("```{=html}\n<script>1</script>\n```",), BARE, is_guarded=False)


HEAD = "<html><head></head><body>{}</body></html>"


@pytest.mark.parametrize(
    "part",
    [
        "<script>1</script>",
        "<img src=x>",
        "<p onclick=1>a</p>",
        "<p style='color: red'>a</p>",
        "<a href=' JavaScript:1'>a</a>",
        "<link rel=stylesheet href=x>",
        "<meta http-equiv=refresh content='0; url=x'>",
        "<iframe srcdoc=x></iframe>",
    ],
)
def test_a_page_that_would_run_or_fetch_is_not_sealed(part: str) -> None:
    with pytest.raises(ReportError, match=r"small\.qmd: the page will not be made: it holds"):
        seal_page(HEAD.format(part), "<script>2</script>", "small.qmd")


def test_a_policy_names_the_script_of_the_house_and_no_other() -> None:
    sealed = seal_page(HEAD.format("<script>2</script>"), "<script>2</script>", "small.qmd")
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', sealed)
    assert "default-src 'none'" in policy
    assert "unsafe" not in html.unescape(policy)
    assert policy.count("sha256-") == 1


@pytest.mark.parametrize("place", range(3))
def test_without_its_escape_a_text_is_seen_to_act(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: int) -> None:
    """The page is refused, since the last guard holds: so the tests above can fail."""
    words = importlib.import_module("examtally.words")
    monkeypatch.setattr(words, "for_markdown", lambda text: text)
    text = (hostile()[5], hostile()[13], hostile()[18])[place]
    with pytest.raises(ReportError, match="its text holds"):
        _say(tmp_path, (text,) * 4)
