"""The picture of both sides: where marks and the bands of what was published lie."""

from __future__ import annotations

import matplotlib
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from examtally.reporting.audit import forest as module
from examtally.reporting.audit.forest import Row, forest
from examtally.reporting.engine.estimate import Estimate


def _drawn(monkeypatch: pytest.MonkeyPatch, row: Row) -> Figure:
    """The figure as it is handed on to be published."""
    kept: list[Figure] = []
    monkeypatch.setattr(module, "publish", lambda figure, *_, **__: kept.append(figure) or "")
    matplotlib.use("Agg")
    forest([row], "one", caption="caption", alt="alt")
    return kept[0]


def _estimate(measure: str, value: float) -> Estimate:
    return Estimate(measure, value, value - 0.1, value + 0.1, 40, 50, 45, shown=True, note="")


def test_a_band_reaches_from_the_lowest_to_the_highest_that_was_published(monkeypatch: pytest.MonkeyPatch) -> None:
    row = Row("Lachman test", _estimate("sensitivity", 0.7), _estimate("specificity", 0.9), (0.6, 0.85), (0.3, 0.4))
    spans = []
    for axes in _drawn(monkeypatch, row).axes:
        (band,) = [patch for patch in axes.patches if isinstance(patch, Rectangle)]
        spans.append((band.get_x(), band.get_x() + band.get_width()))
    assert spans == [pytest.approx((0.6, 0.85)), pytest.approx((0.3, 0.4))]


def test_a_mark_stands_at_the_estimate_within_its_interval(monkeypatch: pytest.MonkeyPatch) -> None:
    row = Row("Lachman test", _estimate("sensitivity", 0.7), _estimate("specificity", 0.9))
    for axes, value in zip(_drawn(monkeypatch, row).axes, (0.7, 0.9), strict=True):
        interval, mark = axes.lines[-2:]
        assert list(interval.get_xdata()) == pytest.approx([value - 0.1, value + 0.1])
        assert list(mark.get_xdata()) == pytest.approx([value])
        assert not axes.patches


def test_too_few_people_have_counts_and_no_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    few = Estimate("sensitivity", 0.7, 0.6, 0.8, 3, 4, 4, shown=False, note="")
    axes, _ = _drawn(monkeypatch, Row("Lachman test", few, Estimate.absent("specificity"))).axes
    assert not [line for line in axes.lines if line.get_marker() == "o"]
    assert any("too few" in text.get_text() for text in axes.texts)
