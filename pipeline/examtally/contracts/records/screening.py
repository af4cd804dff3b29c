"""What looks like it identifies a person, as declared in `schemas/screening.yaml`, and as checks of each column."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from types import MappingProxyType

from examtally.contracts.contract import Contract
from examtally.contracts.records.pseudonym import load_pseudonym_rule
from examtally.contracts.records.rules import in_list, literal, number_sql, quoted
from examtally.contracts.records.tables import Field
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource

FORM = "form"
"""Ends the name of the rule that a code has a form of its kind; it is held against other codes, not by a pattern."""
PLACES = ("any", "misfit", "coded", "uncoded")
_FORM_WORDS = (
    "a code made under the site's key, or of a form that site.yaml declares; without one, written like the others",
    "make it with `examtally deidentify`, or declare your form once, by an example, in site.yaml beside the registry",
)


@dataclass(frozen=True)
class Shape:
    """One kind of identifier; `patterns` by the place they are searched for in, `number_from` for open numbers."""

    name: str
    patterns: Mapping[str, tuple[str, ...]]
    number_from: int | None
    words: str
    mend: str


@dataclass(frozen=True)
class ScreenRule:
    """One shape in one column. `fitting` and `misfit` are SQL, true where a cell has the shape and never NULL: the one
    for cells that keep every other rule of the column, the other for those that break one. `plain` is true where a cell
    is a code that the catalogue lists, which identifies nobody.
    """

    id: str
    table: str
    column: str
    fitting: str
    misfit: str
    legal: str
    mend: str
    plain: str = "false"


@cache
def load_shapes() -> tuple[Shape, ...]:
    """Return the declared shapes; raises ContractError where the declaration is wrong."""
    top = load_yaml(resource("schemas") / "screening.yaml").record(required=("shapes", "names"))
    names = [name.strip() for line in top["names"].texts() for name in line.split(",")]
    known = {"{names}": "|".join(names), "{prefixes}": "|".join(load_pseudonym_rule().prefixes)}
    return tuple(_shape(name, node, known) for name, node in top["shapes"].table("a shape").items())


def _shape(name: str, node: Node, known: Mapping[str, str]) -> Shape:
    entries = node.record(required=("words", "mend"), optional=(*PLACES, "number_from"))
    patterns = {place: _patterns(entries[place], known) for place in PLACES if place in entries}
    start = entries["number_from"].integer(1) if "number_from" in entries else None
    return Shape(name, MappingProxyType(patterns), start, entries["words"].text(), entries["mend"].text())


def _patterns(node: Node, known: Mapping[str, str]) -> tuple[str, ...]:
    texts = node.texts()
    for word, meaning in known.items():
        texts = tuple(text.replace(word, meaning) for text in texts)
    return texts


@lru_cache(maxsize=256)
def screen_rules(contract: Contract, table: str) -> tuple[ScreenRule, ...]:
    """Return the shapes that no cell of `table` may have, column by column."""
    declared = contract.tables[table]
    shapes = tuple(
        ScreenRule(
            f"{table}.{field.name}.screen_{shape.name}",
            table,
            field.name,
            _fitting(field, shape),
            _any_of(quoted(field.name), shape, _places_of(field)),
            shape.words,
            shape.mend,
            _plain(field),
        )
        for field in declared.fields
        for shape in load_shapes()
    )
    forms = tuple(
        ScreenRule(f"{table}.{field.name}.{FORM}", table, field.name, "false", "false", *_FORM_WORDS)
        for field in declared.fields
        if field.is_pseudonym
    )
    return (*shapes, *forms)


def shape_sql(text: str, places: Collection[str] = ("any",)) -> str:
    """Return SQL for the name of the first shape that the SQL `text` has in these places, NULL where it has none."""
    cases = " ".join(
        f"when {_any_of(text, shape, places)} then {literal(shape.name)}"
        for shape in load_shapes()
        if any(place in shape.patterns for place in places)
    )
    return f"case {cases} end"


def _places_of(field: Field) -> tuple[str, ...]:
    return PLACES if field.is_pseudonym else ("any", "misfit")


def _fitting(field: Field, shape: Shape) -> str:
    """A cell of a closed set cannot identify anybody; an identifier, an open number or an open text can."""
    if field.is_pseudonym:
        return _any_of(quoted(field.name), shape, ("coded",))
    if field.type != "string":
        if shape.number_from is None or field.maximum is not None:
            return "false"
        return f"coalesce(abs({number_sql(field)}) >= {shape.number_from}, false)"
    if field.enum is not None or field.pattern is not None:
        return "false"
    hit = _any_of(quoted(field.name), shape, ("any", "misfit"))
    plain = _plain(field)
    return hit if plain == "false" else f"coalesce(not ({plain}) and {hit}, false)"


def _plain(field: Field) -> str:
    """Whether a cell of an open text is one that the catalogue lists for it; false where it lists none."""
    legal = {code for codes in (field.depends.allowed.values() if field.depends else ()) for code in codes}
    is_text = field.type == "string" and not field.is_pseudonym
    return f"{quoted(field.name)} in {in_list(legal)}" if legal and is_text else "false"


def _any_of(text: str, shape: Shape, places: Collection[str]) -> str:
    patterns = [pattern for place in places for pattern in shape.patterns.get(place, ())]
    hits = " or ".join(f"regexp_matches({text}, {literal('(?i)' + pattern)})" for pattern in patterns)
    return f"coalesce({hits}, false)" if hits else "false"
