"""What `schemas/workbook.yaml` declares: its pages, their bands of columns, and what is typed for a code."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from examtally.contracts.records.tables import Field
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource

KINDS = ("history", "maneuvers", "measures", "end_points", "conditions", "probability")
PARTS = ("core", "others")
_YES_NO = "yes_no"
_ANY = r"(?s).*\S.*"


@dataclass(frozen=True)
class DerivedCode:
    """A coded identifier that is put together from other columns of the row."""

    name: str
    of: tuple[str, ...]


@dataclass(frozen=True)
class BandForm:
    """A band of neighbouring columns: `fields` of the table of the page, or one column for each code of `kind`.

    `stage` and `word` go with probabilities; the word begins their headings.
    """

    title: str
    fields: tuple[str, ...]
    kind: str | None
    is_core: bool
    is_folded: bool
    stage: str
    word: str


@dataclass(frozen=True)
class PageForm:
    """One sheet of the workbook and the table that a row of it is first of all a record of."""

    name: str
    sheet: str
    table: str
    says: str
    code: DerivedCode | None
    bands: tuple[BandForm, ...]


@dataclass(frozen=True)
class WorkbookForm:
    """The whole declaration; `typed` maps `table.column` to what is typed for each code."""

    cover: str
    phases: Mapping[str, str]
    pages: tuple[PageForm, ...]
    typed: Mapping[str, Mapping[str, str]]
    with_reason: tuple[str, ...]
    with_grade: tuple[str, ...]
    with_sign: tuple[str, ...]
    instructions: tuple[tuple[str, tuple[str, ...]], ...]

    def typed_for(self, table: str, field: Field) -> Mapping[str, str]:
        """Return what is typed for each code of a closed column, in declared order; the code in words by default."""
        codes = field.enum or ()
        is_yes_no = set(codes) == set(self.typed[_YES_NO])
        own = self.typed.get(f"{table}.{field.name}", self.typed[_YES_NO] if is_yes_no else {})
        return MappingProxyType({code: own.get(code, in_words(code)) for code in codes})


def in_words(code: str) -> str:
    """Return a code with spaces in place of underscores, as it stands in a drop-down."""
    return code.replace("_", " ")


@lru_cache(maxsize=1)
def workbook_form() -> WorkbookForm:
    """Return the declared form of the workbook; raises ContractError where the declaration is wrong."""
    rules = ("with_reason", "with_grade", "with_sign")
    top = load_yaml(resource("schemas") / "workbook.yaml").record(
        required=("title", "cover", "phases", "typed", "pages", "instructions", *rules)
    )
    return WorkbookForm(
        cover=top["cover"].text(),
        phases=_typed(top["phases"]),
        pages=tuple(_page(name, node) for name, node in top["pages"].table().items()),
        typed=MappingProxyType({name: _typed(node) for name, node in top["typed"].table("a column", _ANY).items()}),
        with_reason=top["with_reason"].texts(),
        with_grade=top["with_grade"].texts(),
        with_sign=top["with_sign"].texts(),
        instructions=tuple(_instruction(node) for node in top["instructions"].items()),
    )


def _typed(node: Node) -> Mapping[str, str]:
    return MappingProxyType({code: one.text() for code, one in node.table().items()})


def _instruction(node: Node) -> tuple[str, tuple[str, ...]]:
    entries = node.record(required=("heading", "lines"))
    return entries["heading"].text(), entries["lines"].texts()


def _page(name: str, node: Node) -> PageForm:
    entries = node.record(required=("sheet", "table", "says", "bands"), optional=("code",))
    return PageForm(
        name=name,
        sheet=entries["sheet"].text(),
        table=entries["table"].text(),
        says=entries["says"].text(),
        code=_derived(entries["code"]) if "code" in entries else None,
        bands=tuple(_band(one) for one in entries["bands"].items()),
    )


def _derived(node: Node) -> DerivedCode:
    entries = node.record(required=("name", "of"))
    return DerivedCode(entries["name"].text(), entries["of"].texts())


def _band(node: Node) -> BandForm:
    entries = node.record(required=("title",), optional=("fields", "of", "part", "stage", "word", "folded"))
    if ("fields" in entries) == ("of" in entries):
        raise node.fail("has both or neither of 'fields' and 'of'", "keep one of them")
    part = entries["part"].code("a part", PARTS) if "part" in entries else PARTS[0]
    return BandForm(
        title=entries["title"].text(),
        fields=entries["fields"].texts() if "fields" in entries else (),
        kind=entries["of"].code("a section", KINDS) if "of" in entries else None,
        is_core=part == PARTS[0],
        is_folded="folded" in entries and entries["folded"].flag(),
        stage=entries["stage"].text() if "stage" in entries else "",
        word=entries["word"].text() if "word" in entries else "",
    )
