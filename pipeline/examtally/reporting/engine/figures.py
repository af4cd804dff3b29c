"""The paper and ink of every figure: one look, the same bytes every time, alternative text and data always there."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from pathlib import Path

import matplotlib as mpl
import polars as pl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from examtally.errors import ReportError
from examtally.fonts import TEXT, embed_in_figure
from examtally.reporting.engine.tables import download

INK = "#1d2b36"
GREY = "#5c6a75"
RULE = "#c9d0d6"
BAND = "#e3e8ec"
PRESENT = "#0b5d8a"  # sensitivity: among knees with the condition; always a filled disc
ABSENT = "#a34a00"  # specificity: among knees without it; always an open square
WIDTH = 4.5  # inches: set at its own size on a page, four fifths of it on a phone

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
_DOTS = 200
_KIND: ContextVar[str] = ContextVar("kind of figure", default="svg")
_PROLOGUE = re.compile(r"\A.*?(?=<svg)|<metadata>.*?</metadata>\n?", re.S)


def paper(height: float, width: float = WIDTH) -> Figure:
    """An empty figure of `width` × `height` inches on which nothing is drawn yet."""
    figure = Figure(figsize=(width, height), facecolor="none")
    FigureCanvasSVG(figure)
    return figure


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


@contextmanager
def saved_as(kind: str) -> Iterator[None]:
    """While it lasts figures are saved as SVG, and with `kind` "png" as PNG too."""
    token = _KIND.set(kind)
    try:
        yield
    finally:
        _KIND.reset(token)


def publish(figure: Figure, name: str, *, caption: str, alt: str, data: pl.DataFrame) -> str:
    """Save a figure as `fig/<name>.svg` and return the Markdown that shows it, with its data as CSV beneath.

    Raises ReportError when the alternative text, the caption or the data are missing.
    """
    if not alt.strip() or not caption.strip() or data.is_empty():
        raise ReportError(f"figure {name} needs a caption, an alternative text and the data behind it")
    path = Path("fig") / f"{name}.svg"
    path.parent.mkdir(exist_ok=True)
    with style():
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
        if _KIND.get() == "png":
            figure.savefig(path.with_suffix(".png"), format="png", dpi=_DOTS, metadata={"Software": None})
    path.write_text(embed_in_figure(_PROLOGUE.sub("", path.read_text(encoding="utf-8"))), encoding="utf-8")
    words = json.dumps(" ".join(alt.split()), ensure_ascii=False)
    return f"\n![{caption}](fig/{name}){{alt={words}}}\n{download(data, name)}"
