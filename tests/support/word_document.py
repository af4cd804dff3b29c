"""A word-processor document read back: its paragraphs, tables and the words of its pictures."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

_W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"
_PICTURE = "{http://schemas.openxmlformats.org/drawingml/2006/wordprocessingDrawing}docPr"


@dataclass(frozen=True)
class Document:
    """`tables` holds the cells of each table by row, `pictures` the alternative text of each picture."""

    paragraphs: tuple[str, ...]
    tables: tuple[tuple[tuple[str, ...], ...], ...]
    pictures: tuple[str, ...]

    @property
    def text(self) -> str:
        """The paragraphs outside tables."""
        return "\n".join(self.paragraphs)

    def table(self, heading: str) -> tuple[dict[str, str], ...]:
        """The rows of the first table with this heading in its last heading row, by heading."""
        for rows in self.tables:
            for place, row in enumerate(rows[:2]):
                if heading in row:
                    return tuple(
                        dict(zip(row, cells, strict=True)) for cells in rows[place + 1 :] if len(cells) == len(row)
                    )
        raise AssertionError(f"no table with {heading}")


def read_document(path: Path) -> Document:
    """Read a .docx file."""
    with zipfile.ZipFile(path) as archive:
        body = ElementTree.fromstring(archive.read("word/document.xml"))[0]
    tables = tuple(
        tuple(tuple(_text(cell) for cell in row.iter(f"{_W}tc")) for row in table.iter(f"{_W}tr"))
        for table in body.iter(f"{_W}tbl")
    )
    inside = {id(one) for table in body.iter(f"{_W}tbl") for one in table.iter(f"{_W}p")}
    paragraphs = tuple(_text(one) for one in body.iter(f"{_W}p") if id(one) not in inside)
    pictures = tuple(one.get("descr", "") for one in body.iter(_PICTURE))
    return Document(tuple(one for one in paragraphs if one), tables, pictures)


def _text(node: ElementTree.Element) -> str:
    parts = (
        " " if one.tag == f"{_W}br" else (one.text or "") for one in node.iter() if one.tag in (f"{_W}t", f"{_W}br")
    )
    return "".join(parts).strip()
