from __future__ import annotations

import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

from examtally.errors import ReportError
from examtally.reporting.engine import renderer
from examtally.resources import resource

pytestmark = pytest.mark.usefixtures("house")

FRONT = """---
title: A title
lang: en
execute:
  echo: false
  warning: true
filters: [house.lua]
format:
  html:
    theme: none
    minimal: true
    embed-resources: true
    css: house.css
    section-divs: true
    default-image-extension: svg
---
"""
BODY = """
```{python}
#| output: asis
from pathlib import Path

Path("fig").mkdir(exist_ok=True)
Path("fig/square.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>')
print(f"There are {len(list(Path('results').iterdir()))} tables.")
```

## First

![A square](fig/square){alt="A square of nine by nine"}

::: {.box .caution}
Mind the step.
:::

::: tabs
### Left
Left text.

### Right
Right text.
:::

```{=html}
<table><caption>Counts</caption><thead><tr><th scope="col">Knees</th></tr></thead><tbody>
<tr><td>3</td></tr></tbody></table>
```

[CSV](data:text/csv;base64,YWI=){download="counts.csv"}
"""


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A reports folder with one small report, the true filter and the true style; no Quarto on the path."""
    folder = tmp_path / "reports"
    folder.mkdir()
    for name in ("house.lua", "house.css"):
        shutil.copy(resource("reports") / name, folder)
    (folder / "small.qmd").write_text(FRONT + BODY, encoding="utf-8")
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "flow.csv").write_text("a\n", encoding="utf-8")
    monkeypatch.setattr(renderer, "resource", lambda _kind: folder)
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    return folder


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
    assert 'download="counts.csv"' in html


def test_the_same_report_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = (
        renderer.render("small", tmp_path / "results", tmp_path / out)[0].read_bytes() for out in ("one", "two")
    )
    assert first == second


def test_the_source_is_left_where_asked(tmp_path: Path) -> None:
    renderer.render("small", tmp_path / "results", tmp_path / "out", source=tmp_path / "source")
    left = {str(path.relative_to(tmp_path / "source")) for path in (tmp_path / "source").rglob("*") if path.is_file()}
    assert {"small.qmd", "small.executed.qmd", "house.lua", "fig/square.svg", "results/flow.csv"} <= left
    assert "engine: markdown" in (tmp_path / "source" / "small.executed.qmd").read_text(encoding="utf-8")
    with pytest.raises(ReportError, match="exists already"):
        renderer.render("small", tmp_path / "results", tmp_path / "out", source=tmp_path / "source")


def test_a_figure_without_alternative_text_stops_the_report(house: Path, tmp_path: Path) -> None:
    text = (house / "small.qmd").read_text(encoding="utf-8").replace('{alt="A square of nine by nine"}', '{alt=""}')
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
    assert said == ["render", "small.executed.qmd", "--to", "html", "--output", "small.html", "0"]


@pytest.mark.parametrize(
    ("script", "message"),
    [
        ("touch small.html; echo 'Error running filter house.lua:' >&2", "Error running filter"),
        ("exit 3", "exit 3"),
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
    command = [str(renderer.packed_pandoc()), "--from=markdown", f"--to={to}", f"--output={output}", "--standalone"]
    command += [f"--lua-filter={resource('reports') / 'house.lua'}", "--default-image-extension=svg"]
    subprocess.run(command, cwd=folder, input=source, text=True, check=True)


def test_the_filter_makes_native_boxes_tables_and_alt_texts_for_typst(tmp_path: Path) -> None:
    pandoc(FRONT + BODY.split("```", 2)[2], "typst", tmp_path, "small.typ")
    text = (tmp_path / "small.typ").read_text(encoding="utf-8")
    assert 'alt: "A square of nine by nine"' in text
    assert "#block(inset" in text
    assert "#table(" in text
    assert "<table" not in text


def test_the_filter_makes_native_tables_for_documents(tmp_path: Path) -> None:
    body = "\n".join(line for line in BODY.split("```", 2)[2].splitlines() if not line.startswith("!["))
    pandoc(FRONT + body, "docx", tmp_path, "small.docx")
    with zipfile.ZipFile(tmp_path / "small.docx") as parts:
        text = parts.read("word/document.xml").decode()
    assert text.count("<w:tbl>") == 1
    assert "Mind the step." in text
