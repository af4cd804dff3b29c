"""The one look of every figure: inks, rules and scales; never by color alone."""

from __future__ import annotations

from contextlib import AbstractContextManager

import matplotlib as mpl
from matplotlib.axes import Axes

from examtally.fonts import TEXT

INK = "#1d2b36"
GREY = "#5c6a75"
RULE = "#c9d0d6"
BAND = "#e3e8ec"
PRESENT = "#0b5d8a"  # sensitivity: among knees with the condition; always a filled disc
ABSENT = "#a34a00"  # specificity: among knees without it; always an open square

_STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "examtally",
    "font.family": TEXT,
    "font.size": 10,
    "axes.edgecolor": RULE,
    "axes.labelcolor": GREY,
    "axes.linewidth": 0.8,
    "text.color": INK,
    "xtick.color": GREY,
    "ytick.color": INK,
    "xtick.labelsize": 9,
    "hatch.linewidth": 0.6,
}


def bare(axes: Axes, *, keep: str = "bottom") -> Axes:
    """Take away every line of the frame but one, and the ticks of the y axis."""
    for side, spine in axes.spines.items():
        spine.set_visible(side == keep)
    axes.tick_params(axis="y", length=0)
    axes.set_facecolor("none")
    return axes


def percent_axis(axes: Axes, *, title: str = "") -> None:
    """A horizontal axis from 0 to 100% with faint rules at each quarter."""
    axes.set_xlim(-0.02, 1.02)
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100%"])
    axes.grid(axis="x", color=BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_title(title, loc="left", fontsize=10, fontweight="bold", color=INK)


def style() -> AbstractContextManager[None]:
    """The settings under which a figure is drawn and saved."""
    return mpl.rc_context(_STYLE)  # type: ignore[arg-type]
