"""The one namespace of a notebook: what is in it is documented, typed and shown by example; results show themselves."""

from __future__ import annotations

import inspect
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import get_type_hints

import polars as pl
import pytest
from report_clinic import shared_results

import examtally as et

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
FUNCTIONS = [name for name in dir(et) if inspect.isfunction(getattr(et, name))]


@pytest.fixture(scope="module")
def results(together: Path) -> et.Results:
    return et.read_results(shared_results(together))


def test_the_namespace_is_the_documented_list() -> None:
    rows = re.findall(r"^\| (`.+?) \|", PAGE, re.MULTILINE)
    documented = [name for row in rows for name in re.findall(r"`(\w+)`", row)]
    assert sorted(documented) == dir(et) == sorted(et.__all__)
    with pytest.raises(AttributeError, match="has no attribute 'analyse'"):
        et.analyse  # noqa: B018


@pytest.mark.parametrize("name", FUNCTIONS)
def test_each_function_is_typed_and_shown_by_example(name: str) -> None:
    function = getattr(et, name)
    hints = get_type_hints(function, vars(inspect.getmodule(function)))
    assert set(inspect.signature(function).parameters) | {"return"} <= set(hints)
    doc = inspect.getdoc(function) or ""
    assert f"et.{name}(" in doc
    for example in re.findall(r"^    (et\.\w+\(.*\))$", doc, re.MULTILINE):
        compile(example, name, "eval")


def test_the_notebook_takes_everything_from_the_namespace() -> None:
    notebook = json.loads((ROOT / "docs" / "notebook" / "study.ipynb").read_text(encoding="utf-8"))
    code = "\n".join("".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code")
    assert "examtally." not in code
    assert code.count("import examtally as et") == 1
    assert set(re.findall(r"\bet\.(\w+)", code)) <= set(dir(et))


class _Balanced(HTMLParser):
    """The tags of a page, which must close in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, _attrs: object) -> None:
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_results_show_a_short_summary(results: et.Results) -> None:
    shown = results._repr_html_()
    assert repr(results).startswith("Results of registry ")
    assert "accuracy, " in repr(results)
    assert len(repr(results)) < 900
    assert len(shown) < 3000
    page = _Balanced()
    page.feed(shown)
    assert page.open == []
    first = results.accuracy.filter(
        condition="acl_tear", maneuver="lachman", group_by="overall", adjustment="none", measure="sensitivity"
    ).row(0, named=True)
    assert f"{first['estimate']:.0%} (" in shown
    assert f"{first['events']}/{first['n']}" in shown
    assert "Lachman test" in shown
    exams = results.cohort_summary.filter(item="exams")["value"][0]
    assert f"{exams:.0f} exams in the registry" in shown
    assert ".to_pandas()" in shown


def test_figures_of_too_few_people_are_not_shown(results: et.Results) -> None:
    hidden = results.accuracy.with_columns(display=pl.lit("counts"))
    few = et.Results({**results.tables, "accuracy": hidden}, results.provenance)
    assert "No figure has enough verified participants yet" in few._repr_html_()
    assert "<table" not in few._repr_html_()


def test_results_without_tables_are_told_as_such(results: et.Results) -> None:
    assert "0 tables" in et.Results({}, results.provenance)._repr_html_()


def test_a_frame_becomes_one_of_pandas(results: et.Results) -> None:
    frame = results.accuracy.to_pandas()
    assert list(frame.columns) == results.accuracy.columns
    assert len(frame) == results.accuracy.height
    assert "to_pandas()" in (et.Results.__doc__ or "")


def test_a_report_of_results_in_memory_is_that_of_their_folder(results: et.Results, tmp_path: Path) -> None:
    (page,) = et.report(results, tmp_path / "memory", "card", condition="acl_tear", formats=["html"])
    folder = results.write(tmp_path / "results")
    (again,) = et.report(folder, tmp_path / "folder", "card", condition="acl_tear", formats=["html"])
    assert page.name == again.name == "card-acl_tear.html"
    assert page.read_bytes() == again.read_bytes()


@pytest.mark.parametrize(
    ("kind", "options", "said"),
    [
        ("poster", {}, "there is no report 'poster'; use one of audit, monthly"),
        ("audit", {"period": "P001"}, "the report audit takes no period; it takes formats, source"),
        ("index", {"formats": ["html"]}, "the report index takes no formats; it takes no option"),
        ("monthly", {}, "needs a period"),
        ("card", {"condition": "none_such"}, "there is no such condition"),
    ],
)
def test_what_a_report_cannot_be_is_one_plain_line(
    results: et.Results, tmp_path: Path, kind: str, options: dict[str, object], said: str
) -> None:
    with pytest.raises(et.ExamtallyError) as fault:
        et.report(results, tmp_path / "out", kind, **options)  # type: ignore[arg-type]
    assert said in str(fault.value)
    assert "\n" not in str(fault.value)
    assert not (tmp_path / "out").exists()


def test_a_release_needs_role_and_reason_together(results: et.Results, tmp_path: Path) -> None:
    with pytest.raises(et.ExamtallyError, match="approved_by and because together"):
        et.release(results, tmp_path / "out", registry="none.duckdb", approved_by="director")
    assert not (tmp_path / "out").exists()
