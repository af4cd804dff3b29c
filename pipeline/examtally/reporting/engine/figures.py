"""The paper and ink of every figure: one look, the same bytes every time, alternative text and data always there."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from hashlib import sha256
from pathlib import Path

import polars as pl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.text import Text

from examtally.contracts.catalogue.clinical import Noun
from examtally.errors import ReportError
from examtally.fonts import embed_in_figure
from examtally.plots.look import style
from examtally.reporting.engine.tables import download
from examtally.reporting.engine.wording import said
from examtally.words import for_markdown

FOLDER = "fig"  # of a report, and nothing else is shown in it
WIDTH = 4.5  # inches: set at its own size on a page, four fifths of it on a phone

_DOTS = 200
_KIND: ContextVar[str] = ContextVar("kind of figure", default="png")
_PROLOGUE = re.compile(r"\A.*?(?=<svg)|<metadata>.*?</metadata>\n?", re.S)


def paper(height: float, width: float = WIDTH) -> Figure:
    """An empty figure of `width` × `height` inches on which nothing is drawn yet."""
    figure = Figure(figsize=(width, height), facecolor="none")
    FigureCanvasSVG(figure)
    return figure


@contextmanager
def saved_as(kind: str) -> Iterator[None]:
    """While it lasts figures are saved as SVG, and with `kind` "png" (as elsewhere) as PNG too."""
    token = _KIND.set(kind)
    try:
        yield
    finally:
        _KIND.reset(token)


def publish(
    figure: Figure, name: str, *, caption: str, alt: str, data: pl.DataFrame, narrow: Figure | None = None
) -> str:
    """Save a figure under `fig/` and return the Markdown that shows it, with its data as CSV beneath.

    A text refers to it as `@fig-<name>`. `narrow` is the same drawn for a phone; a page shows the one that fits, paper
    the first. Its words, caption and alternative text are shown as they are: none is read as a formula or as markup.
    Raises ReportError when the alternative text, the caption or the data are missing.
    """
    if not alt.strip() or not caption.strip() or data.is_empty():
        raise ReportError(f"figure {name} needs a caption, an alternative text and the data behind it")
    label = f"#fig-{name} "
    shown = f'![{for_markdown(caption)}]({_saved(figure, name)}){{{label}alt="{for_markdown(alt)}"}}'
    if narrow is not None:
        again = f'![{for_markdown(caption)}]({_saved(narrow, f"{name}-narrow")}){{alt="{for_markdown(alt)}"}}'
        shown = f"::: wide\n{shown}\n:::\n\n::: narrow\n{again}\n:::"
    return f"\n{shown}\n{download(data, name)}"


def _saved(figure: Figure, name: str) -> str:
    """Write a figure in the kinds the format asks for and return its address without an ending.

    Its name ends with a digest of what it shows, so that pages of one site never show each other's figures.
    """
    Path(FOLDER).mkdir(exist_ok=True)
    for text in figure.findobj(Text):
        text.set_parse_math(False)
        text.set_text(said(text.get_text()))
    drawn = io.StringIO()
    with style():
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
        svg = embed_in_figure(_PROLOGUE.sub("", drawn.getvalue()))
        path = Path(FOLDER) / f"{name}-{sha256(svg.encode()).hexdigest()[:8]}.svg"
        if _KIND.get() == "png":
            figure.savefig(path.with_suffix(".png"), format="png", dpi=_DOTS, metadata={"Software": None})
    if Noun.is_marked(svg):
        raise ReportError(f"figure {name} holds a mark of the joint's noun; give it words through `said`")
    path.write_text(svg, encoding="utf-8")
    return f"{FOLDER}/{path.stem}"
