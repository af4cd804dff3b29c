"""The words of a report: those of the place it is made for, and short words for the codes of the result tables."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from examtally.contracts.catalogue.clinical import Noun
from examtally.contracts.protocol.estimates import MERGED, levels_of
from examtally.errors import ReportError
from examtally.words import MARKUP, for_markdown

_LOCAL = ("group", "tag", "internal", "caution")
_NAMED_AFTER = frozenset({"Lachman", "McMurray", "Noble", "Ober", "Thessaly"})
_NOUN: ContextVar[Noun | None] = ContextVar("noun", default=None)
_BAND = re.compile(r"(?:(\d+)_(\d+)|under_(\d+)|(\d+)_over)")


def speak_of(noun: Noun | None) -> None:
    """From now on the page under way speaks of this joint; of none before its results are opened."""
    _NOUN.set(noun)


def said(text: str) -> str:
    """`text` with the words of the page's joint in place of its marks (see `Noun`).

    Raises ReportError where a mark stands and the page has opened no results: a reader never sees one.
    """
    noun = _NOUN.get()
    if noun is None and Noun.is_marked(text):
        raise ReportError("the page speaks of a joint before its results are opened")
    return text if noun is None else noun.said(text)


@dataclass(frozen=True)
class Wording:
    """What `reports/local.yaml` and `reports/words.yaml` say; the texts of the place are Markdown that shows them."""

    group: str
    tag: str
    internal: str
    caution: str
    words: Mapping[str, Mapping[str, str]]

    def word(self, kind: str, code: str) -> str:
        """The short word for a code; one without an entry is shown as written, underscores as spaces.

        Bands of numbers are read: `under_16` is under 16, `16_25` is 16–25, `60_over` is 60 and over. Levels that are
        one group are read one by one: `subacute+chronic` is subacute or chronic.
        """
        if MERGED in code:
            return " or ".join(self.word(kind, level) for level in levels_of(code))
        known = self.words.get(kind, {}).get(code)
        return said(known) if known else _band(code) or code.replace("_", " ")


def read_wording(folder: Path) -> Wording:
    """Read the two files of a reports folder; raise ReportError where one is missing or lacks a key."""
    local = yaml_mapping(folder / "local.yaml")
    missing = [key for key in _LOCAL if not isinstance(local.get(key), str)]
    if missing:
        raise ReportError(f"local.yaml has no text for {', '.join(missing)}; write '{missing[0]}: …'")
    words = yaml_mapping(folder / "words.yaml")
    acting = [f"{kind}.{code}" for kind in words for code in words[kind] if MARKUP & set(str(words[kind][code]))]
    if acting:
        raise ReportError(f"words.yaml: {acting[0]} holds a sign that is markup in a report; write plain words")
    return Wording(**{key: for_markdown(str(local[key])) for key in _LOCAL}, words=words)


def as_written(folder: Path, key: str) -> str:
    """A text of `local.yaml` letter by letter, for what is not Markdown: fields of a document, a page of its own."""
    return str(yaml_mapping(folder / "local.yaml").get(key, ""))


def inside_sentence(name: str) -> str:
    """A common noun that begins with a capital, as it stands within a sentence; abbreviations and names keep theirs.

    A side that a name ends with comes first, as it is spoken.

    >>> inside_sentence("Open surgery"), inside_sentence("MRI of the knee"), inside_sentence("Lachman test")
    ('open surgery', 'MRI of the knee', 'Lachman test')
    >>> inside_sentence("McMurray test, medial"), inside_sentence("Meniscal tear, either side")
    ('medial McMurray test', 'meniscal tear, either side')
    """
    head, _, side = name.rpartition(", ")
    if head and side in ("medial", "lateral"):
        return f"{side} {inside_sentence(head)}"
    is_common = name[1:2].islower() and name.split(" ")[0] not in _NAMED_AFTER
    return name[0].lower() + name[1:] if is_common else name


def band_order(code: str) -> tuple[int, ...]:
    """Where a band of numbers stands among its like: by its lower limit; nothing for another code.

    >>> sorted(["16_25", "60_over", "under_16"], key=band_order)
    ['under_16', '16_25', '60_over']
    """
    match = _BAND.fullmatch(code)
    return () if match is None else (int(match.group(1) or match.group(4) or -1),)


def _band(code: str) -> str | None:
    match = _BAND.fullmatch(code)
    if match is None:
        return None
    low, high, under, over = match.groups()
    if under:
        return f"under {under}"
    return f"{over} and over" if over else f"{low}–{high}"


def yaml_mapping(path: Path) -> dict[str, Any]:
    """A file of a report's folder as a mapping; ReportError where it is none."""
    try:
        content = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
        raise ReportError(f"{path.name}: cannot be read as YAML ({type(error).__name__})") from error
    if not isinstance(content, dict):
        raise ReportError(f"{path.name} must be 'key: value' lines")
    return content
