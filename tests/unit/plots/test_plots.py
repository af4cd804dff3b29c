"""Plots of results: they draw what the tables hold, at its place, and nothing of too few people."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import polars as pl
import pytest
from matplotlib import pyplot
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from report_clinic import shared_results

import examtally as et
from examtally.contracts.contract import load_contract
from examtally.plots.look import ABSENT, PRESENT

COLORS = {"sensitivity": PRESENT, "specificity": ABSENT}


@pytest.fixture(scope="module")
def results(together: Path) -> et.Results:
    return et.read_results(shared_results(together))


@pytest.fixture(autouse=True)
def _without_a_screen() -> Iterator[None]:
    mpl.use("agg")
    yield
    pyplot.close("all")


def _axes() -> Axes:
    return Figure().add_subplot()


def _marks(axes: Axes, color: str) -> list[tuple[float, float]]:
    """Where single marks of a color stand."""
    return [
        (float(line.get_xdata()[0]), float(line.get_ydata()[0]))  # type: ignore[index,arg-type]
        for line in axes.lines
        if line.get_color() == color and len(line.get_xdata()) == 1  # type: ignore[arg-type]
    ]


def test_a_forest_plot_shows_each_figure_beside_its_maneuver(results: et.Results) -> None:
    axes = results.plot.forest("acl_tear", axes=_axes())
    names = [label.get_text() for label in axes.get_yticklabels()]
    maneuvers = load_contract().catalogue.maneuvers
    rows = results.accuracy.filter(condition="acl_tear", group_by="overall", adjustment="none", display="estimate")
    for measure, color in COLORS.items():
        marks = _marks(axes, color)
        wanted = {
            maneuvers[row["maneuver"]].name: row["estimate"]
            for row in rows.filter(measure=measure).iter_rows(named=True)
        }
        assert wanted
        assert {names[round(height)]: value for value, height in marks} == wanted
        ends = [tuple(line.get_xdata()) for line in axes.lines if line.get_color() == color]
        limits = rows.filter(measure=measure).select("ci_low", "ci_high").rows()
        assert sorted(end for end in ends if len(end) == 2) == sorted(limits)


def test_a_figure_of_too_few_people_is_counts_alone(results: et.Results) -> None:
    is_lachman = pl.col("maneuver") == "lachman"
    display = pl.when(is_lachman).then(pl.lit("counts")).otherwise("display")
    few = et.Results({**results.tables, "accuracy": results.accuracy.with_columns(display=display)}, results.provenance)
    axes = few.plot.forest("acl_tear", axes=_axes())
    row = results.accuracy.filter(
        is_lachman, condition="acl_tear", group_by="overall", adjustment="none", measure="sensitivity"
    ).row(0, named=True)
    assert f"{row['events']} of {row['n']}, too few" in {text.get_text() for text in axes.texts}
    assert len(_marks(axes, PRESENT)) == len(_marks(results.plot.forest("acl_tear", axes=_axes()), PRESENT)) - 1


def test_a_calibration_plot_shows_the_isotonic_curve_and_its_band(results: et.Results) -> None:
    axes = results.plot.calibration("acl_tear", axes=_axes())
    points = results.calibration_curve.filter(
        condition="acl_tear", forecast="examiner_after_exam", group_by="overall", curve="isotonic"
    ).drop_nulls("predicted")
    (curve,) = [line for line in axes.lines if line.get_color() == PRESENT]
    assert list(zip(*curve.get_data(), strict=True)) == points.select("predicted", "observed").rows()
    assert len(axes.collections) == 1


def test_a_curve_of_too_few_people_is_not_drawn(results: et.Results) -> None:
    most = int(results.calibration["participants"].max())  # type: ignore[arg-type]
    axes = replace(results.plot, least=most + 1).calibration("acl_tear", axes=_axes())
    assert "too few for a curve" in {text.get_text() for text in axes.texts}
    assert not [line for line in axes.lines if line.get_color() == PRESENT]


def test_without_axes_a_notebook_gets_a_figure_of_its_own(results: et.Results) -> None:
    pyplot.close("all")  # a notebook of another test may have left one open
    axes = results.plot.forest("acl_tear")
    assert isinstance(axes, Axes)
    assert pyplot.get_fignums() == [axes.figure.number]  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("draw", "said"),
    [
        (lambda plots: plots.forest("none_such"), "condition: accuracy has no such code; use one of acl_tear"),
        (lambda plots: plots.forest("acl_tear", group_by="shoe"), "group_by: accuracy has no such code here; use one"),
        (lambda plots: plots.calibration("acl_tear", forecast="model"), "use one of examiner_after_history"),
        (lambda plots: replace(plots, tables={}).forest("acl_tear"), "made without the table accuracy"),
    ],
)
def test_what_cannot_be_drawn_is_told_with_the_legal_set(results: et.Results, draw: object, said: str) -> None:
    with pytest.raises(et.ExamtallyError) as fault:
        draw(results.plot)  # type: ignore[operator]
    assert said in str(fault.value)
