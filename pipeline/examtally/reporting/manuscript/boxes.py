"""Boxes and arrows: a main line with boxes beside it, which parts into arms of boxes."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from examtally.plots.look import GREY, INK
from examtally.reporting.engine.figures import paper

Lines = Sequence[str]
WIDTH = 6.3  # inches: the text of a page
_LINE = 0.17  # inches a line of text
_PAD = 0.08
_GAP = 0.3
_MAIN, _BESIDE = (0.06, 2.55), (3.0, 3.24)  # left edge and width, inches
_MIDDLE = _MAIN[0] + _MAIN[1] / 2


def draw(steps: Sequence[tuple[Lines, Lines]], arms: Sequence[Sequence[Lines]]) -> Figure:
    """Return the diagram. Each step is a box and what stands beside it (nothing: no box); each arm its boxes, downward.

    Boxes of the arms at one depth are equally high; every arm has equally many.
    """
    rows = [max((_height(arm[depth]) for arm in arms), default=0.0) for depth in range(len(arms[0]) if arms else 0)]
    tall = [max(_height(main), _height(beside)) + _GAP for main, beside in steps]
    total = sum(tall) + sum(row + _GAP / 2 for row in rows) + (0.1 if arms else -_GAP + 0.1)
    figure = paper(total, WIDTH)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, WIDTH)
    axes.set_ylim(total, 0)
    axes.axis("off")
    y = 0.05
    for place, ((main, beside), height) in enumerate(zip(steps, tall, strict=True)):
        _step(axes, y, main, beside)
        if arms or place < len(steps) - 1:
            _line(axes, (_MIDDLE, y + _height(main)), (_MIDDLE, y + height), is_arrow=place < len(steps) - 1)
        y += height
    _arms(axes, y, arms, rows)
    return figure


def _step(axes: Axes, y: float, main: Lines, beside: Lines) -> None:
    _box(axes, _MAIN, y, main)
    if beside:
        _box(axes, _BESIDE, y, beside, colour=GREY)
        middle = y + _height(main) / 2
        _line(axes, (_MAIN[0] + _MAIN[1], middle), (_BESIDE[0], middle), is_arrow=True)


def _arms(axes: Axes, y: float, arms: Sequence[Sequence[Lines]], rows: Sequence[float]) -> None:
    if not arms:
        return
    room = (WIDTH - 0.12) / len(arms)
    middles = [0.06 + room * (place + 0.5) for place in range(len(arms))]
    _line(axes, (min(*middles, _MIDDLE), y), (max(*middles, _MIDDLE), y))
    for middle, arm in zip(middles, arms, strict=True):
        top = y + _GAP / 2
        _line(axes, (middle, y), (middle, top), is_arrow=True)
        for depth, (lines, height) in enumerate(zip(arm, rows, strict=True)):
            _box(axes, (middle - room / 2 + 0.06, room - 0.12), top, lines, height=height)
            if depth < len(rows) - 1:
                _line(axes, (middle, top + height), (middle, top + height + _GAP / 2), is_arrow=True)
            top += height + _GAP / 2


def _box(
    axes: Axes, place: tuple[float, float], y: float, lines: Lines, *, colour: str = INK, height: float | None = None
) -> None:
    left, width = place
    axes.add_patch(
        Rectangle((left, y), width, height or _height(lines), facecolor="white", edgecolor=colour, linewidth=0.9)
    )
    for row, text in enumerate(lines):
        axes.text(left + 0.08, y + _PAD + (row + 0.5) * _LINE, text, va="center", ha="left", fontsize=8.5, color=INK)


def _line(axes: Axes, start: tuple[float, float], end: tuple[float, float], *, is_arrow: bool = False) -> None:
    arrow = {"arrowstyle": "-|>" if is_arrow else "-", "color": INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", xy=end, xytext=start, arrowprops=arrow)


def _height(lines: Lines) -> float:
    return len(lines) * _LINE + 2 * _PAD if lines else 0.0
