"""The frame that every picture of sensitivity beside specificity shares: two scales, a row each, names on the left."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from examtally.reporting.figures import ABSENT, PRESENT, bare, paper, percent_axis

SIDES = (("sensitivity", "Sensitivity", PRESENT, "o"), ("specificity", "Specificity", ABSENT, "s"))
"""Measure, title, colour and mark of each side."""

_HEAD, _FOOT = 0.42, 0.32  # inches above and beneath the rows


def two_sides(
    names: Sequence[str], row: float, *, named_at: float, size: float = 10, width: float = 0.385
) -> tuple[Figure, tuple[Axes, Axes]]:
    """An empty frame, `row` inches a name: row n lies between n and n + 1 of both axes, its name at n + `named_at`.

    `width` is that of each scale as a share of the paper; the rest is for the numbers beside it.
    """
    height = _HEAD + _FOOT + row * len(names)
    figure = paper(height)
    both = []
    for index, (_, title, *_) in enumerate(SIDES):
        box = (0.01 + 0.5 * index, _FOOT / height, width, (height - _HEAD - _FOOT) / height)
        axes = bare(figure.add_axes(box))
        percent_axis(axes, title=title)
        axes.set_ylim(len(names), 0)
        axes.set_yticks([])
        both.append(axes)
    for place, name in enumerate(names):
        both[0].text(-0.02, place + named_at, name, va="center", ha="left", fontsize=size)
    return figure, (both[0], both[1])
