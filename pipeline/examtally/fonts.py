"""The fonts of every page and figure: one open family, which comes with matplotlib, so that pages are alike everywhere.

A page or figure carries the common characters and what else it shows, as WOFF2. DOCX alone names a common family: word
processors bring one.
"""

from __future__ import annotations

import html
from base64 import b64encode
from collections.abc import Iterable
from functools import cache, lru_cache
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

TEXT = "DejaVu Sans"
"""The family of all text; titles of an HTML page are in `DejaVu Serif`, code in `DejaVu Sans Mono`."""


class _Face(NamedTuple):
    file: str
    family: str
    weight: int
    style: str
    needed_by: str  # what stands in a page or figure that uses the face


_PAGE = (
    _Face("DejaVuSans.ttf", TEXT, 400, "normal", ""),
    _Face("DejaVuSans-Bold.ttf", TEXT, 700, "normal", ""),
    _Face("DejaVuSans-Oblique.ttf", TEXT, 400, "italic", "<em"),
    _Face("DejaVuSerif-Bold.ttf", "DejaVu Serif", 700, "normal", ""),
    _Face("DejaVuSansMono.ttf", "DejaVu Sans Mono", 400, "normal", "<code"),
)
FILES = tuple(face.file for face in _PAGE)
"""The font files that `font_folder` must hold."""

_FIGURE = (
    _Face("DejaVuSans.ttf", TEXT, 400, "normal", "<text"),
    _Face("DejaVuSans-Bold.ttf", TEXT, 700, "normal", "font-weight: 700"),
)
_ASCII = frozenset(map(chr, range(32, 127)))
_COMMON = _ASCII | frozenset("\u00a0±·×–—‘’“”…−≤≥≈→")
"""What any page or figure may show: one subset of a face then serves all."""
_LATIN = _ASCII | frozenset(map(chr, [*range(160, 384), *range(0x2010, 0x2040), *range(0x2190, 0x2270)]))


def font_folder() -> Path:
    """The folder of the font files, for programs that read fonts themselves."""
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


def embed_in_page(page: str) -> str:
    """Return an HTML page with the fonts of its characters; a page without a head is returned as it is."""
    shown = _visible(html.unescape(page))
    return page.replace("</head>", f"<style>\n{_rules(_PAGE, page, shown)}</style>\n</head>", 1)


def embed_in_figure(svg: str) -> str:
    """Return an SVG figure with the fonts of its characters, for whoever opens it as a picture."""
    shown = _visible(html.unescape("".join(part.split("</text>")[0] for part in svg.split("<text")[1:])))
    style = f"text {{ text-rendering: geometricPrecision; }}\n{_rules(_FIGURE, svg, shown)}"
    return svg.replace("<defs>", f"<defs>\n  <style>\n{style}</style>", 1)


def _visible(text: str) -> frozenset[str]:
    """The characters of a text that a font draws; line ends are not among them."""
    return frozenset(text) - frozenset(map(chr, range(32)))


def _rules(faces: Iterable[_Face], text: str, shown: frozenset[str]) -> str:
    characters = "".join(sorted(_COMMON | shown))
    return "".join(
        f'@font-face {{ font-family: "{face.family}"; font-weight: {face.weight}; font-style: {face.style}; '
        f'src: url("data:font/woff2;base64,{_packed(face.file, characters)}") format("woff2"); }}\n'
        for face in faces
        if face.needed_by in text
    )


@lru_cache(maxsize=512)
def _packed(file: str, characters: str) -> str:
    is_usual = _COMMON.issuperset(characters) or not _LATIN.issuperset(characters)  # subset once, or seldom
    source = font_folder() / file if is_usual else BytesIO(_latin(file))
    return b64encode(_subset(source, characters, "woff2")).decode("ascii")


@cache
def _latin(file: str) -> bytes:
    """The face without what pages seldom show: a third of the time to subset again."""
    return _subset(font_folder() / file, "".join(sorted(_LATIN)), None)


def _subset(source: Path | BytesIO, characters: str, flavor: str | None) -> bytes:
    from fontTools.subset import Options, Subsetter
    from fontTools.ttLib import TTFont

    options = Options(hinting=False, layout_features=["kern"], notdef_outline=True)
    options.drop_tables += ["FFTM", "GDEF", "MATH"]
    made = BytesIO()
    with TTFont(source, lazy=True, recalcTimestamp=False) as font:
        subsetter = Subsetter(options)
        subsetter.populate(text=characters)
        names = font["name"]  # put back with the copyright alone: to prune it, the library would walk every table
        names.names = [record for record in names.names if record.nameID == 0]
        del font["name"]
        subsetter.subset(font)
        font["name"] = names
        font.flavor = flavor
        font.save(made)
    return made.getvalue()
