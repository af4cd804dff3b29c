"""How a page is laid out beyond the house: a citation style of the user's, and a Word document as reviewers want it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from examtally.errors import ReportError

STYLE = "given.csl"
_LARGEST = 1_000_000
_CSL = "{http://purl.org/net/xbiblio/csl}"
_SECTION = re.compile(r"<w:sectPr\b[^>]*?(?:/>|>(?P<inner>.*?)</w:sectPr>)", re.S)
_AFTER_NUMBERS = ("pgNumType", "cols", "formProt", "vAlign", "noEndnote", "titlePg", "textDirection", "bidi", "docGrid")
_NUMBERED = '<w:lnNumType w:countBy="1" w:restart="continuous"/>'
_BODY_STYLES = ("BodyText", "FirstParagraph", "Bibliography", "BlockText")
_DOUBLE = '<w:spacing w:line="480" w:lineRule="auto"/>'


@dataclass(frozen=True)
class Layout:
    """`style` is a CSL file; `for_review` numbers the lines of a Word document and sets its text in double spacing."""

    style: Path | None = None
    for_review: bool = False

    def place_style(self, folder: Path) -> str:
        """Copy the citation style into the reports' folder and return its name there; empty where there is none.

        Raises ReportError where the file cannot be read, is no CSL style, or depends on another.
        """
        if self.style is None:
            return ""
        try:
            content = self.style.read_bytes()
            if len(content) > _LARGEST or b"<!DOCTYPE" in content or b"<!ENTITY" in content:
                raise ValueError
            root = ElementTree.fromstring(content)
        except OSError as error:
            raise ReportError(f"{self.style.name}: cannot be read ({error.strerror}); name a CSL file") from None
        except (ElementTree.ParseError, ValueError):
            raise ReportError(f"{self.style.name}: is not a citation style; name a CSL file") from None
        if root.tag != f"{_CSL}style":
            raise ReportError(f"{self.style.name}: is not a citation style; name a CSL file")
        if root.find(f"{_CSL}bibliography") is None or root.find(f"{_CSL}citation") is None:
            raise ReportError(f"{self.style.name}: depends on another style; name that one, which says how to cite")
        (folder / STYLE).write_bytes(content)
        return STYLE


def number_lines(body: str) -> str:
    """The text of a Word document with its lines numbered throughout."""
    return _SECTION.sub(_numbered_section, body)


def _numbered_section(section: re.Match[str]) -> str:
    inner = section["inner"] or ""
    later = re.search("|".join(rf"<w:{name}\b" for name in _AFTER_NUMBERS), inner)
    place = later.start() if later else len(inner)
    return f"<w:sectPr>{inner[:place]}{_NUMBERED}{inner[place:]}</w:sectPr>"


def space_lines(styles: str) -> str:
    """The styles of a Word document with its text in double spacing; tables keep their lines."""
    for name in _BODY_STYLES:
        styles = re.sub(
            rf'(<w:style\b[^>]*w:styleId="{name}"[^>]*>)(.*?)(</w:style>)', _double, styles, count=1, flags=re.S
        )
    return styles


def _double(style: re.Match[str]) -> str:
    """One style in double spacing, what it says of the space before and after kept."""
    start, inner, end = style.groups()
    spacing = re.search(r"<w:spacing\b[^>]*/>", inner)
    if spacing:
        kept = re.sub(r'\s*w:(?:line|lineRule)="[^"]*"', "", spacing.group())
        fresh = kept.replace("/>", ' w:line="480" w:lineRule="auto"/>')
        return f"{start}{inner.replace(spacing.group(), fresh, 1)}{end}"
    if "<w:pPr>" in inner:
        return f"{start}{inner.replace('<w:pPr>', f'<w:pPr>{_DOUBLE}', 1)}{end}"
    before = re.search(r"<w:rPr\b|$", inner)
    assert before is not None
    return f"{start}{inner[: before.start()]}<w:pPr>{_DOUBLE}</w:pPr>{inner[before.start() :]}{end}"
