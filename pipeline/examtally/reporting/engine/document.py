"""What a renderer leaves undone in a word-processor document: vector figures, whole rows, its author, no clock."""

from __future__ import annotations

import re
import zipfile
from html import escape
from pathlib import Path

from examtally.reporting.engine.layout import number_lines, space_lines

_LONG_AGO = (1980, 1, 1, 0, 0, 0)
_BODY, _STYLES, _LINKS, _TYPES, _ABOUT = (
    "word/document.xml",
    "word/styles.xml",
    "word/_rels/document.xml.rels",
    "[Content_Types].xml",
    "docProps/core.xml",
)
_IMAGE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/image"
_VECTOR = (
    '<a:extLst><a:ext uri="{{96DAC541-7B7A-43D3-8B79-37D633B846F1}}"><asvg:svgBlip '
    'xmlns:asvg="http://schemas.microsoft.com/office/drawing/2016/SVG/main" r:embed="{link}"/></a:ext></a:extLst>'
)
_LINK = re.compile(r"<Relationship\b[^>]*>")
_ROW = re.compile(r"<w:tr(?P<own>(?: [^>]*)?)>(?P<kept><w:trPr>)?")


def finish(path: Path, figures: Path, author: str, *, for_review: bool = False) -> None:
    """Rewrite the document at `path`: each figure also as the SVG of its name in `figures`, rows of tables that no page
    break splits, `author` as who it is by, and the same bytes whenever it is made. `for_review` numbers its lines and
    sets the text in double spacing.
    """
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    _draw(parts, figures)
    body = parts[_BODY].decode()
    parts[_BODY] = _ROW.sub(_whole, body).encode()
    if for_review:
        parts[_BODY] = number_lines(parts[_BODY].decode()).encode()
        parts[_STYLES] = space_lines(parts[_STYLES].decode()).encode()
    by = f"<dc:creator>{escape(author)}</dc:creator>"
    parts[_ABOUT] = re.sub(
        r"<dc:creator ?/>|<dc:creator>.*?</dc:creator>", lambda _: by, parts[_ABOUT].decode()
    ).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(parts, key=lambda name: (name != _TYPES, name)):
            entry = zipfile.ZipInfo(name, _LONG_AGO)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, parts[name])


def _whole(row: re.Match[str]) -> str:
    """The beginning of a row that stays on one page."""
    start = f"<w:tr{row['own']}><w:trPr><w:cantSplit/>"
    return start if row["kept"] else f"{start}</w:trPr>"


def _draw(parts: dict[str, bytes], figures: Path) -> None:
    """Beside each picture of a figure lay the figure itself, for programs that draw it; the others keep the picture."""
    drawn = {path.read_bytes(): path.with_suffix(".svg") for path in sorted(figures.glob("*.png"))}
    body, links = parts[_BODY].decode(), parts[_LINKS].decode()
    for link in _LINK.findall(links):
        said = dict(re.findall(r'(\w+)="([^"]*)"', link))
        svg = drawn.get(parts.get(f"word/{said['Target']}", b""))
        if svg is None or not svg.is_file():
            continue
        target, name = Path(said["Target"]).with_suffix(".svg").as_posix(), f"{said['Id']}v"
        parts[f"word/{target}"] = svg.read_bytes()
        links = links.replace(
            "</Relationships>", f'<Relationship Id="{name}" Type="{_IMAGE}" Target="{target}"/></Relationships>'
        )
        blip = rf'<a:blip r:embed="{re.escape(said["Id"])}"\s*(?:/>|></a:blip>)'
        shown = f'<a:blip r:embed="{said["Id"]}">{_VECTOR.format(link=name)}</a:blip>'
        body = re.sub(blip, lambda _, shown=shown: shown, body)  # type: ignore[misc]
    parts[_BODY], parts[_LINKS] = body.encode(), links.encode()
    types = parts[_TYPES].decode()
    if "svgBlip" in body and 'Extension="svg"' not in types:
        kind = '<Default Extension="svg" ContentType="image/svg+xml"/>'
        parts[_TYPES] = types.replace("<Default ", f"{kind}<Default ", 1).encode()
