from __future__ import annotations

import re
from pathlib import Path
from textwrap import dedent

import pytest
import yaml

from examtally.errors import ReportError
from examtally.reporting.engine.executor import execute, read_report
from examtally.reporting.engine.syntax import check_project


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


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ("", r"line 5: a cell prints Markdown and says so: begin it with '#\| output: asis'"),
        ("#| output: asis\n#| echo: true\n", r"line 6: the cell option 'echo: true'"),
        ("#| output: asis\n#| fig-width: 5\n", r"line 6: the cell option 'fig-width: 5'"),
        ("#| output: true\n", r"line 5: the cell option 'output: true'"),
        ("#| output: asis\n#| code-fold: show\n", r"line 6: the cell option 'code-fold: show'"),
        ("#| output\n", r"line 5: the options of this cell are not YAML"),
        ("#|output: asis\n", r"line 5: the line '#\|output: asis' \(options begin a cell"),
        ("#| output: asis\ny = 1\n#| eval: false\n", r"line 7: the line '#\| eval: false'"),
    ],
)
def test_other_cell_options_are_refused_with_file_and_line(tmp_path: Path, options: str, what: str) -> None:
    path = write(tmp_path, "a.qmd", f"```{{python}}\n{options}x = 1\n```\n")
    with pytest.raises(ReportError, match=rf"a\.qmd, {what}"):
        read_report(path)


@pytest.mark.parametrize(
    ("prose", "what"),
    [
        ("{{< video x.mp4 >}}", "the shortcode 'video'"),
        ("See @sec-methods.", "the reference '@sec-methods'"),
        ("See [@eq-one].", "the reference '@eq-one'"),
        ("::: {.column-margin}\nText.\n:::", "a div of the class 'column-margin'"),
        ("::: aside\nText.\n:::", "a div of the class 'aside'"),
        ('::: {.content-visible when-format="html"}\nText.\n:::', "a div of the class 'content-visible'"),
        ("::: {.callout-danger}\nText.\n:::", "the callout 'callout-danger'"),
        ("::: {layout-ncol=2}\nText.\n:::", "the attribute 'layout-ncol' of a div"),
        ('::: {.callout-note collapse="true"}\nText.\n:::', "the attribute 'collapse' of a div"),
        ("```{mermaid}\ngraph\n```", "a cell of 'mermaid'"),
        ("``` {r}\n1\n```", "a cell of 'r'"),
        ("  ```{python}\n  1\n  ```", "an indented cell of 'python'"),
        ("It is $x^2$ here.", "the formula '$x^2$'"),
        ("$$", "the formula '$$'"),
        ("[beside]{.aside}", "a text of the class 'aside'"),
        ("## A heading {.content-hidden}", "a text of the class 'content-hidden'"),
        (': Counts {#tbl-a tbl-colwidths="[40,60]"}', "the attribute 'tbl-colwidths' of a text"),
        ("![Bars](fig/a.svg){width=50%}", "the attribute 'width' of a text"),
        ("{{< meta gone >}}", "'{{< meta gone >}}' of no key in the front matter"),
    ],
)
def test_what_only_quarto_sets_is_refused_with_file_and_line(tmp_path: Path, prose: str, what: str) -> None:
    (tmp_path / "_part.qmd").write_text(f"One.\n\n{prose}\n", encoding="utf-8")
    report = write(tmp_path, "a.qmd", "Text.\n\n{{< include _part.qmd >}}\n")
    with pytest.raises(ReportError, match=rf"_part\.qmd, line 3: {re.escape(what)}.*; the executor does not know it"):
        execute(read_report(report))


@pytest.mark.parametrize(
    "prose",
    [
        "`@sec-shown` and `{{< video >}}`",
        "```\n{{< video x >}} @sec-a\n```",
        "mail a@sec-b.org",
        "from $5 to $10",
        '![Bars](fig/a.svg){#fig-a alt="Two bars"}',
        "::: {.callout-tip}\nA.\n:::",
    ],
)
def test_what_is_code_or_means_the_same_is_left_alone(tmp_path: Path, prose: str) -> None:
    assert execute(read_report(write(tmp_path, "a.qmd", f"{prose}\n"))).strip() == prose


@pytest.mark.parametrize(
    ("front", "what"),
    [
        ("server: shiny\n", "line 3: the key 'server' in the front matter"),
        ("date: today\n", "line 3: the date 'today'"),
        ("author:\n  - name: A\n", "line 3: the author"),
        ("subtitle: '{{< meta title >}}'\n", "line 3: a shortcode or code in the 'subtitle'"),
        ("format: html\n", "line 3: the format 'html'"),
        ("format:\n  html: default\n", "line 4: the format 'html' (there are house-docx, house-html, house-typst)"),
        ("format:\n  house-html:\n    code-fold: true\n", "line 5: the key 'code-fold' of the format 'house-html'"),
    ],
)
def test_what_only_quarto_knows_in_the_front_matter_is_refused(tmp_path: Path, front: str, what: str) -> None:
    with pytest.raises(ReportError, match=rf"a\.qmd, {re.escape(what)}"):
        read_report(write(tmp_path, "a.qmd", "Text.\n", f"title: A\n{front}"))


@pytest.mark.parametrize(
    ("project", "what"),
    [
        ("execute:\n  echo: false\nnumber-sections: true\n", "line 3: the key 'number-sections' of the project"),
        ("lang: en\nexecute:\n  echo: true\n", "line 2: a project whose cells show their code"),
        ("execute:\n  echo: false\n  eval: false\n", "line 3: the key 'eval' of 'execute'"),
        ("execute:\n  echo: false\nformat:\n  pdf: default\n", "line 4: the format 'pdf'"),
    ],
)
def test_what_only_quarto_knows_in_the_project_is_refused(project: str, what: str) -> None:
    with pytest.raises(ReportError, match=rf"_quarto\.yml, {re.escape(what)}"):
        check_project("_quarto.yml", project, yaml.safe_load(project))


def test_a_value_at_the_end_of_a_cell_is_refused_since_quarto_would_show_it(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", cell("x = 1\n\nx + 1")))
    with pytest.raises(ReportError, match=r"a\.qmd, line 8: a value at the end of a cell \(print it\)"):
        execute(report)


PARAMETERS = "```{python}\n#| tags: [parameters]\nresults = 'results'\nperiod = ''\n```\n"


def test_parameters_take_the_place_of_what_the_tagged_cell_sets(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", PARAMETERS + cell("print(results, period)")))
    assert execute(report).split() == ["results"]
    assert execute(report, {"period": "P001"}).split() == ["results", "P001"]


def test_an_unknown_parameter_is_refused_with_the_legal_ones(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", PARAMETERS))
    with pytest.raises(ReportError, match=r"a\.qmd takes no parameter site; it takes results, period"):
        execute(report, {"site": "A"})
    with pytest.raises(ReportError, match="takes no parameters; tag a cell"):
        execute(read_report(write(tmp_path, "b.qmd", "Text.\n")), {"site": "A"})


def test_inline_code_and_metadata_are_put_in_as_plain_words(tmp_path: Path) -> None:
    body = (
        cell("n, words = 41, '*bold* <b>'") + "\nThere are `{python} n + 1` in {{< meta title >}}: `{python} words`.\n"
    )
    text = execute(read_report(write(tmp_path, "a.qmd", body)))
    assert text.strip() == r"There are 42 in A title: \*bold\* \<b\>."


def test_inline_code_that_fails_is_laid_to_its_line(tmp_path: Path) -> None:
    report = read_report(write(tmp_path, "a.qmd", "Text.\n\nThere are `{python} gone`.\n"))
    with pytest.raises(ReportError, match=r"a\.qmd, inline code \(a\.qmd, line 6\) failed: NameError"):
        execute(report)


def test_a_quiet_cell_prints_nothing_and_one_that_is_off_does_not_run(tmp_path: Path) -> None:
    body = "```{python}\n#| include: false\nprint('unseen')\n```\n" + cell("#| eval: false\n1 / 0")
    assert execute(read_report(write(tmp_path, "a.qmd", body))).strip() == ""


def test_a_labelled_cell_is_left_as_quarto_leaves_it(tmp_path: Path) -> None:
    code = cell("#| label: tbl-own\n#| tbl-cap: 'Our \"own\" count'\nprint('| a |')")
    text = execute(read_report(write(tmp_path, "a.qmd", code)))
    assert text.split("\n")[1:4] == [r':::::::: {#tbl-own tbl-cap="Our \"own\" count"}', "| a |", "::::::::"]


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
