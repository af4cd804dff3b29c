from __future__ import annotations

from pathlib import Path
from textwrap import dedent

import pytest

from examtally.errors import ReportError
from examtally.reporting.engine.executor import execute, read_report


def write(folder: Path, name: str, body: str, front: str = "title: A title\n") -> Path:
    path = folder / name
    path.write_text(f"---\n{front}---\n{dedent(body)}", encoding="utf-8")
    return path


def cell(code: str) -> str:
    return f"```{{python}}\n#| output: asis\n{code}\n```\n"


def test_cells_run_in_order_in_one_namespace_and_print_in_their_place(tmp_path: Path) -> None:
    path = write(tmp_path, "a.qmd", "\nBefore.\n\n" + cell("x = 2") + "\nBetween.\n\n" + cell("print(f'*{x * 21}*')"))
    text = execute(read_report(path))
    assert text.split() == ["Before.", "Between.", "*42*"]


def test_what_a_cell_prints_stands_between_blank_lines(tmp_path: Path) -> None:
    path = write(tmp_path, "a.qmd", "Before.\n" + cell("print('Printed.')") + "After.\n")
    assert "Before.\n\nPrinted.\n" in execute(read_report(path))


def test_front_matter_is_read_and_left_out(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", "Text.\n", "title: Ours\nlang: en\n"))
    assert report.front == {"title": "Ours", "lang": "en"}
    assert execute(report) == "Text.\n"


def test_an_include_is_resolved_before_the_cells_run(tmp_path: Path) -> None:
    (tmp_path / "_part.qmd").write_text("Included.\n\n" + cell("y = 'seen'"), encoding="utf-8")
    report = read_report(write(tmp_path, "a.qmd", "{{< include _part.qmd >}}\n\n" + cell("print(y)")))
    assert [piece.file for piece in report.cells] == ["_part.qmd", "a.qmd"]
    assert execute(report).split() == ["Included.", "seen"]


def test_an_include_shown_inside_a_cell_is_not_followed(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", cell("text = '''\n{{< include _no.qmd >}}\n'''\nprint(len(text))")))
    assert execute(report).strip() == "25"


def test_an_error_names_report_cell_file_and_line(tmp_path: Path) -> None:
    (tmp_path / "_part.qmd").write_text("One.\n\n" + cell("x = 1\n\nraise KeyError('gone')"), encoding="utf-8")
    report = read_report(write(tmp_path, "a.qmd", cell("pass") + "\n{{< include _part.qmd >}}\n"))
    with pytest.raises(ReportError, match=r"a\.qmd, cell 2 \(_part\.qmd, line 7\) failed: KeyError: 'gone'"):
        execute(report)


def test_an_error_deep_in_a_helper_is_laid_to_the_line_of_the_cell(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", cell("import json\njson.loads('{')")))
    with pytest.raises(ReportError, match=r"cell 1 \(a\.qmd, line 7\) failed: JSONDecodeError"):
        execute(report)


def test_a_syntax_error_names_its_line(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", "\n" + cell("x = (")))
    with pytest.raises(ReportError, match=r"cell 1 \(a\.qmd, line 7\) failed: SyntaxError"):
        execute(report)


@pytest.mark.parametrize("options", ["", "#| echo: true\n", "#| output: asis\n#| echo: true\n"])
def test_other_cell_options_are_refused(tmp_path: Path, options: str) -> None:
    path = write(tmp_path, "a.qmd", f"```{{python}}\n{options}x = 1\n```\n")
    with pytest.raises(ReportError, match=r"a\.qmd, line 5: a cell has exactly one option line"):
        read_report(path)


def test_an_include_within_an_include_is_refused(tmp_path: Path) -> None:
    (tmp_path / "_b.qmd").write_text("Text.\n\n{{< include _c.qmd >}}\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"_b\.qmd, line 3: an included file may not include another"):
        read_report(write(tmp_path, "a.qmd", "{{< include _b.qmd >}}\n"))


def test_missing_files_and_missing_front_matter_are_named(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match=r"_gone\.qmd: cannot be read"):
        read_report(write(tmp_path, "a.qmd", "{{< include _gone.qmd >}}\n"))
    (tmp_path / "b.qmd").write_text("Text.\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"b\.qmd, line 1: no front matter"):
        read_report(tmp_path / "b.qmd")


@pytest.mark.parametrize("front", ["title: [\n", "just words\n"])
def test_front_matter_that_is_no_mapping_is_refused(tmp_path: Path, front: str) -> None:
    with pytest.raises(ReportError, match=r"a\.qmd: the front matter"):
        read_report(write(tmp_path, "a.qmd", "Text.\n", front))
