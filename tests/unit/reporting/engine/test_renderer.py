from __future__ import annotations

import re
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_project import small_project
from word_document import read_document

from examtally.errors import ReportError
from examtally.reporting.engine import renderer
from examtally.resources import reports_from
from examtally.words import for_markdown

pytestmark = pytest.mark.usefixtures("house")

FRONT = "---\ntitle: A title\n---\n"
BODY = """
```{python}
#| output: asis
from pathlib import Path

Path("fig").mkdir(exist_ok=True)
Path("fig/square.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>')
print(f"There are {len(list(Path('results').iterdir()))} tables.")
```

## First

![A square](fig/square){#fig-square alt="A square of nine by nine"}

As @fig-square and @tbl-counts say.

::: {.callout-caution}
Mind the step.
:::

::: {.panel-tabset}
### Left
Left text.

### Right
Right text.
:::

::: {#tbl-counts}
```{=html}
<table><caption><span>Counts</span></caption><thead><tr><th scope="col">Knees</th></tr></thead><tbody>
<tr><td>3</td></tr></tbody></table>
```
:::

[CSV](data:text/csv;base64,YWI=){download="counts.csv"}
"""


CAPTIONED = f"""
```{{python}}
#| output: asis
import polars as pl
from examtally.reporting.engine.tables import Column, table

print("::: joint\\nKnee\\n:::")
for _ in range(2):
    print(table(pl.DataFrame({{"a": ["x"]}}), [Column("a", "A")], caption="Where < 9 ended"))
```

See @tbl-where-9-ended-2 and @tbl-own-count.

| a |
|---|
| 1 |

: Own count

| a |
|---|
| 1 |

: {"very " * 13} long
"""


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A reports folder with one small report and the true look; no Quarto on the path."""
    folder = small_project(tmp_path / "reports")
    (folder / "small.qmd").write_text(FRONT + BODY, encoding="utf-8")
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "flow.csv").write_text("a\n", encoding="utf-8")
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    with reports_from(folder):
        yield folder


def test_pandoc_sets_one_self_contained_page(tmp_path: Path) -> None:
    (page,) = renderer.render("small", tmp_path / "results", tmp_path / "out")
    assert (page.stat().st_mode & 0o777, page.parent.stat().st_mode & 0o777) == (0o600, 0o700)
    html = page.read_text(encoding="utf-8")
    assert page == tmp_path / "out" / "small.html"
    assert "There are 1 tables." in html
    assert 'src="data:image/svg+xml;base64,' in html
    assert 'alt="A square of nine by nine"' in html
    assert "<link" not in html
    assert 'role="note"' in html
    assert 'class="tab-title"' in html
    assert "<h3" not in html
    assert '<a href="data:text/csv;base64,YWI=" download="counts.csv">' in html
    assert "/*" not in html
    assert "--ink" in html
    assert "<figcaption>" in html
    assert "Figure 1: A square" in html
    assert "<span>Table 1: Counts</span>" in html
    assert '<a href="#figure-square">Figure\u00a01</a>' in html
    assert '<a href="#table-counts">Table\u00a01</a>' in html
    assert html.count('id="table-counts"') == html.count('id="figure-square"') == 1


def test_words_that_look_like_data_behind_a_link_stay_words(house: Path, tmp_path: Path) -> None:
    words = ("data:text/csv;base64,00000000", "data:text/csv;base64,ZZZZ")
    said = "".join(f"\n{for_markdown(one)}\n" for one in words)
    (house / "small.qmd").write_text(FRONT + BODY + said, encoding="utf-8")
    (page,) = renderer.render("small", tmp_path / "results", tmp_path / "out")
    html = page.read_text(encoding="utf-8")
    assert all(f"<p>{one}</p>" in html for one in words)
    assert html.count("YWI=") == 1


def test_a_table_is_called_by_its_caption_and_a_page_says_its_title(house: Path, tmp_path: Path) -> None:
    (house / "small.qmd").write_text(FRONT + CAPTIONED, encoding="utf-8")
    page, paper = renderer.render("small", tmp_path / "results", tmp_path / "out", formats=("html", "docx"))
    html = page.read_text(encoding="utf-8")
    assert "<title>Knee: a title</title>" in html
    assert '<a href="#table-where-9-ended-2">Table\u00a02</a>' in html
    assert '<a href="#table-own-count">Table\u00a03</a>' in html
    assert re.findall(r'id="(table-[^"]*)"', html) == [
        "table-where-9-ended", "table-where-9-ended-2", "table-own-count", "table-" + "-".join(["very"] * 12)
    ]  # fmt: skip
    assert read_document(paper).text.split()[:3] == ["Knee:", "a", "title"]


def test_the_same_report_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = (
        renderer.render("small", tmp_path / "results", tmp_path / out)[0].read_bytes() for out in ("one", "two")
    )
    assert first == second


def test_the_source_is_left_where_asked(tmp_path: Path) -> None:
    renderer.render("small", tmp_path / "results", tmp_path / "out", source=tmp_path / "source")
    left = {str(path.relative_to(tmp_path / "source")) for path in (tmp_path / "source").rglob("*") if path.is_file()}
    text = {"small.qmd", "small.executed.qmd", "_extensions/house/house.lua"}
    assert text | {"fig/square.svg", "results/flow.csv"} <= left
    assert "engine: markdown" in (tmp_path / "source" / "small.executed.qmd").read_text(encoding="utf-8")
    with pytest.raises(ReportError, match="exists already"):
        renderer.render("small", tmp_path / "results", tmp_path / "out", source=tmp_path / "source")


def test_a_figure_without_alternative_text_stops_the_report(house: Path, tmp_path: Path) -> None:
    text = (house / "small.qmd").read_text(encoding="utf-8").replace('alt="A square of nine by nine"}', "}")
    (house / "small.qmd").write_text(text, encoding="utf-8")
    with pytest.raises(ReportError, match="pandoc"):
        renderer.render("small", tmp_path / "results", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_word_from_pandoc_is_an_error(house: Path, tmp_path: Path) -> None:
    text = (house / "small.qmd").read_text(encoding="utf-8").replace("fig/square)", "fig/gone)")
    (house / "small.qmd").write_text(text, encoding="utf-8")
    with pytest.raises(ReportError, match=r"small\.executed\.qmd: pandoc: .*gone"):
        renderer.render("small", tmp_path / "results", tmp_path / "out")


def test_a_failing_cell_leaves_nothing_behind(house: Path, tmp_path: Path) -> None:
    (house / "small.qmd").write_text(FRONT + "```{python}\n#| output: asis\n1 / 0\n```\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"small\.qmd, cell 1 .* ZeroDivisionError"):
        renderer.render("small", tmp_path / "results", tmp_path / "out", source=tmp_path / "source")
    assert not (tmp_path / "out").exists()
    assert not (tmp_path / "source").exists()


def test_an_unknown_format_is_refused_with_the_legal_set(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="no such format: rtf; choose from html"):
        renderer.render("small", tmp_path / "results", tmp_path / "out", formats=("rtf",))
    with pytest.raises(ReportError, match="no format is named; choose from html"):
        renderer.render("small", tmp_path / "results", tmp_path / "out", formats=())


def quarto(folder: Path, monkeypatch: pytest.MonkeyPatch, script: str) -> None:
    """Put a stand-in for the program on the path: the contract held here is how it is called and read."""
    folder.mkdir()
    program = folder / "quarto"
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")


def test_quarto_is_called_on_the_executed_text_where_it_is_installed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quarto(tmp_path / "bin", monkeypatch, 'echo "$@ $SOURCE_DATE_EPOCH" > small.html; echo "Output created" >&2')
    (page,) = renderer.render("small", tmp_path / "results", tmp_path / "out")
    assert (page.stat().st_mode & 0o777, page.parent.stat().st_mode & 0o777) == (0o600, 0o700)
    said = page.read_text(encoding="utf-8").split()
    as_page = ["--profile", "page", "--to", "house-html", "--output", "small.html"]
    assert said == ["render", "small.executed.qmd", *as_page, "0"]


@pytest.mark.parametrize(
    ("script", "message"),
    [
        ("touch small.html; echo 'Error running filter house.lua:' >&2", "Error running filter"),
        (
            r"printf 'Starting\n\033[91mERROR: no kernel\033[39m\nInstall ipykernel\n' >&2; exit 3",
            r"Quarto: ERROR: no kernel Install ipykernel \(exit 3\)",
        ),
        ("echo 'a word and no more' >&2; exit 3", r"Quarto: a word and no more \(exit 3\)"),
        ("exit 0", "wrote no html page"),
    ],
)
def test_what_quarto_says_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, message: str) -> None:
    quarto(tmp_path / "bin", monkeypatch, script)
    with pytest.raises(ReportError, match=message):
        renderer.render("small", tmp_path / "results", tmp_path / "out")


def test_no_other_pandoc_is_run_than_that_of_the_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither one on PATH, nor one in the home folder, nor one that a variable names."""
    for place in (tmp_path / "bin", tmp_path / "home" / "bin"):
        place.mkdir(parents=True)
        (place / "pandoc").write_text(f"#!/bin/sh\ntouch {tmp_path}/ran\n")
        (place / "pandoc").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path / "bin"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("PYPANDOC_PANDOC", str(tmp_path / "bin" / "pandoc"))
    pandoc("A word.", "typst", tmp_path, "page.typ")
    assert not (tmp_path / "ran").exists()
    assert renderer.packed_pandoc().parent.name == "files"


def pandoc(source: str, to: str, folder: Path, output: str) -> None:
    (folder / "fig").mkdir(exist_ok=True)
    (folder / "fig" / "square.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>')
    small_project(folder)
    command = [str(renderer.packed_pandoc()), "--from=markdown-implicit_figures", f"--to={to}", f"--output={output}"]
    command += ["--standalone", "--lua-filter=_extensions/house/house.lua", "--default-image-extension=svg"]
    subprocess.run(command, cwd=folder, input=source, text=True, check=True)


def test_the_filter_makes_native_boxes_tables_and_alt_texts_for_typst(tmp_path: Path) -> None:
    pandoc(FRONT + BODY.split("```", 2)[2], "typst", tmp_path, "small.typ")
    text = (tmp_path / "small.typ").read_text(encoding="utf-8")
    assert 'alt: "A square of nine by nine"' in text
    assert "#block(inset" in text
    assert "#table(" in text
    assert "Table 1: Counts" in text
    assert "<table-counts>" in text
    assert "#link(<figure-square>)[Figure" in text
    assert "<td" not in text


def test_the_filter_makes_native_tables_for_documents(tmp_path: Path) -> None:
    body = "\n".join(line for line in BODY.split("```", 2)[2].splitlines() if not line.startswith(("![", "As")))
    pandoc(FRONT + body, "docx", tmp_path, "small.docx")
    with zipfile.ZipFile(tmp_path / "small.docx") as parts:
        text = parts.read("word/document.xml").decode()
    assert text.count("<w:tbl>") == 1
    assert "Mind the step." in text


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("See @tbl-none.", "a reference to tbl-none, which no table and no figure is called"),
        ("::: {#tbl-words}\nWords.\n:::", "the label tbl-words on something that is neither"),
        ("| a |\n|---|\n| 1 |\n\n: One {#tbl-a}\n\n" * 2, "the label tbl-a twice"),
        ("::: {.panel-tabset}\nWords.\n:::", "a tabset that does not begin with a heading"),
    ],
)
def test_a_label_that_leads_nowhere_stops_the_page(house: Path, tmp_path: Path, text: str, what: str) -> None:
    (house / "small.qmd").write_text(FRONT + text + "\n", encoding="utf-8")
    with pytest.raises(ReportError, match=what):
        renderer.render("small", tmp_path / "results", tmp_path / "out")


def test_a_citation_is_set_from_the_bibliography_of_the_project(house: Path, tmp_path: Path) -> None:
    (house / "small.qmd").write_text(FRONT + "As once said [@wilson1927].\n", encoding="utf-8")
    (page,) = renderer.render("small", tmp_path / "results", tmp_path / "out")
    assert "Probable inference, the law of succession" in page.read_text(encoding="utf-8")


def test_a_group_renders_its_own_copy_and_no_other_folder(tmp_path: Path) -> None:
    own = small_project(tmp_path / "own")
    (own / "small.qmd").write_text(FRONT + "Our own words.\n", encoding="utf-8")
    with reports_from(own):
        (page,) = renderer.render("small", tmp_path / "results", tmp_path / "out")
    assert "Our own words." in page.read_text(encoding="utf-8")
    with pytest.raises(ReportError, match=r"holds no _quarto\.yml"), reports_from(tmp_path / "results"):
        pass


def test_what_a_cell_labels_is_numbered_under_its_caption(house: Path, tmp_path: Path) -> None:
    options = "#| output: asis\n#| label: tbl-own\n#| tbl-cap: 'Our *own* count'\n"
    cell = f"```{{python}}\n{options}print('| a |\\n|---|\\n| 1 |')\n```\n"
    (house / "small.qmd").write_text(FRONT + cell + "\nIn @tbl-own.\n", encoding="utf-8")
    (page,) = renderer.render("small", tmp_path / "results", tmp_path / "out")
    html = page.read_text(encoding="utf-8")
    assert "Table 1: Our <em>own</em> count</caption>" in html
    assert '<a href="#table-own">' in html


@pytest.mark.parametrize(
    "text", ["Some «nouns» were imaged.\n", "```{python}\n#| output: asis\nprint('«a noun»')\n```\n"]
)
def test_a_page_with_a_mark_of_the_joint_left_in_it_is_not_made(house: Path, tmp_path: Path, text: str) -> None:
    (house / "small.qmd").write_text(FRONT + text, encoding="utf-8")
    with pytest.raises(ReportError, match=r"small\.qmd holds a mark of the joint's noun"):
        renderer.render("small", tmp_path / "results", tmp_path / "out")
    assert not (tmp_path / "out").exists()
