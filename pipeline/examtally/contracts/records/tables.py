"""The record tables as declared in `schemas/tables/*.yaml` (open Table Schema form), as frozen objects.

Codes that belong to the clinical catalogue are named, not repeated: `codesFrom` takes a section of it as the legal
set, `dependsOn` takes what it lists for the code in another column of the same line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

from examtally.contracts.catalogue.catalogue import Catalogue
from examtally.contracts.catalogue.clinical import Noun
from examtally.contracts.yamlfile import Node, from_data, load_yaml
from examtally.errors import ContractError

_SPELLINGS = {"positive": ("pos", "pos."), "negative": ("neg", "neg.")}
_SQL_TYPES = {"string": "VARCHAR", "integer": "INTEGER", "number": "DOUBLE"}
_NAME = "[a-z][a-z0-9_]*"
_WORD = r"[^A-Z_]+"
_SECTIONS = ("conditions", "maneuvers", "history", "mechanisms", "modalities")
_AGAIN = ("known", "first", "clock")
_JOINTS = "joints"
_OTHER_SIDE = (
    *("other «noun»", "contralateral", "contralateral «noun»", "opposite «noun»", "other side", "uninjured «noun»"),
    "gegenseite",
)
JOINT = "joint"
"""The column that names the joint."""
_PROPERTIES = ("signs", "grades", "unit", "severity", "pattern")


@dataclass(frozen=True)
class Dependency:
    """The legal values of a field, given the code in another `column` of the same line.

    `allowed` maps each code of that column to its values. With `any_value` the field may hold anything of its type
    where the code is a key of `allowed`, and must be blank elsewhere.
    """

    column: str
    allowed: Mapping[str, frozenset[str]]
    any_value: bool


@dataclass(frozen=True)
class Field:
    """One column. `enum` is the closed legal set in declared order, catalogue codes included; None where open.

    `again` says what settles a difference when the same key comes again: known, first or clock.
    `is_clinical` tells that the catalogue declares the column or its codes: another joint has others.
    """

    name: str
    type: str
    title: str
    description: str
    unit: str | None
    required: bool
    is_pseudonym: bool
    pattern: str | None
    pattern_words: str
    enum: tuple[str, ...] | None
    labels: Mapping[str, str]
    minimum: int | None
    maximum: int | None
    default: int | str | None
    depends: Dependency | None
    again: str | None
    is_clinical: bool = False
    synonyms: tuple[str, ...] = ()
    code_synonyms: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def sql_type(self) -> str:
        """DuckDB type of the stored column."""
        return _SQL_TYPES[self.type]

    @property
    def spellings(self) -> Mapping[str, str]:
        """Other ways to write a code that are taken as it wherever records come from, without capitals."""
        return {word: code for code, words in _SPELLINGS.items() if code in (self.enum or ()) for word in words}


@dataclass(frozen=True)
class ForeignKey:
    """`columns` of a line exist as `target_columns` in `table`; `unknown` says whether it waits or is held back."""

    columns: tuple[str, ...]
    table: str
    target_columns: tuple[str, ...]
    unknown: str


@dataclass(frozen=True)
class Table:
    """One record table; `optional` tables may be missing and read as empty."""

    name: str
    title: str
    description: str
    optional: bool
    fields: tuple[Field, ...]
    primary_key: tuple[str, ...]
    foreign_keys: tuple[ForeignKey, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in declared order."""
        return tuple(field.name for field in self.fields)

    def field(self, name: str) -> Field:
        """Return the field called `name`; KeyError where there is none."""
        return next(field for field in self.fields if field.name == name)


def load_tables(folder: Path, catalogue: Catalogue) -> Mapping[str, Table]:
    """Read every table declared in `folder`, in loading order; raises ContractError for a wrong declaration."""
    declared = [_entries(load_yaml(path)) for path in sorted(folder.glob("*.yaml"))]
    tables: dict[str, Table] = {}
    for entries in sorted(declared, key=lambda entries: entries["order"].integer(1)):
        table = _table(entries, Vocabulary(catalogue, tables))
        tables[table.name] = table
    return MappingProxyType(tables)


def of_all_joints(first: str, by_joint: Mapping[str, Mapping[str, Table]]) -> Mapping[str, Table]:
    """The tables with the columns of every joint, in one order whatever joint is `first`: the one of a blank."""
    joined = {}
    for name, own in by_joint[first].items():
        fields: dict[str, Field] = {}
        for tables in by_joint.values():
            for one in tables[name].fields:
                other = fields.setdefault(one.name, own.field(one.name) if one.name in own.names else one)
                if other.type != one.type:
                    raise ContractError(f"{name}.{one.name} is {other.type} for one joint, {one.type} for another")
        if JOINT in fields:
            fields[JOINT] = replace(fields[JOINT], enum=tuple(by_joint))
        joined[name] = replace(own, fields=tuple(fields.values()))
    return MappingProxyType(joined)


def _in_place(fields: Iterable[Node], own: Iterable[Node]) -> list[Node]:
    """The columns of every joint with those of this one, each after the column that it names."""
    placed = list(fields)
    for node in own:
        names = [one.at("name").text(_NAME) for one in placed]
        if node.at("name").text(_NAME) in names:
            raise node.at("name").fail("is a column already", "name it otherwise, or use the column that is there")
        at = names.index(node.at("after").code("a column before it", names)) + 1
        placed.insert(at, node)
    return placed


def _other_side(column: str, noun: Noun) -> Node:
    """The column of exams that tells of the other side, as every catalogue has it under a name of its own."""
    labels = {"normal": "examined and normal", "abnormal": "examined and not normal", "not_examined": "not examined"}
    return from_data(
        {
            "name": column,
            "after": "complaint",
            "type": "string",
            "title": noun.said("Other «noun»"),
            "description": noun.said("The «noun» it was compared with."),
            "constraints": {"enum": [*labels, "unknown"]},
            "labels": {**labels, "unknown": "not recorded"},
            "synonyms": [noun.said(word) for word in _OTHER_SIDE],
        },
        "catalogue",
    )


@dataclass(frozen=True)
class Vocabulary:
    """Where a field may take its codes from: the catalogue, and the tables read so far."""

    catalogue: Catalogue
    tables: Mapping[str, Table]

    def codes(self, node: Node) -> tuple[tuple[str, ...], Mapping[str, str]]:
        """Return the codes that `codesFrom` names and what each means."""
        columns = {
            f"{table.name}.{field.name}": (field.enum, field.labels)
            for table in self.tables.values()
            for field in table.fields
            if field.enum is not None
        }
        source = node.code("a section of the catalogue or an earlier column", (*_SECTIONS, _JOINTS, *columns))
        if source in columns:
            enum, labels = columns[source]
            return enum or (), labels
        catalogue = self.catalogue
        labels = {
            _JOINTS: {catalogue.joint: catalogue.title.lower()},
            "conditions": {code: item.name for code, item in catalogue.conditions.items()},
            "maneuvers": {code: item.name for code, item in catalogue.maneuvers.items()},
            "history": {code: item.question for code, item in catalogue.history.items()},
            "mechanisms": {code: item.label for code, item in catalogue.mechanisms.items()},
            "modalities": {code: item.label for code, item in catalogue.modalities.items()},
        }[source]
        return tuple(labels), labels


def _entries(top: Node) -> dict[str, Node]:
    return top.record(
        required=("name", "title", "description", "order", "optional", "missingValues", "primaryKey", "fields"),
        optional=("foreignKeys",),
    )


def _table(entries: dict[str, Node], vocabulary: Vocabulary) -> Table:
    catalogue, table = vocabulary.catalogue, entries["name"].text(_NAME)
    own = list(catalogue.columns.get(table, ()))
    if table == "exams":
        own.insert(0, _other_side(catalogue.other_side_column, catalogue.noun))
    nodes = _in_place(entries["fields"].items(), own)
    fields = tuple(_field(node, vocabulary, is_own=node in own) for node in nodes)
    names = [field.name for field in fields]
    return Table(
        name=table,
        title=entries["title"].text(),
        description=catalogue.noun.said(entries["description"].text()),
        optional=entries["optional"].flag(),
        fields=fields,
        primary_key=entries["primaryKey"].codes("a field of this table", names),
        foreign_keys=tuple(_foreign_key(node, names) for node in _optional_items(entries, "foreignKeys")),
    )


def _foreign_key(node: Node, names: list[str]) -> ForeignKey:
    entries = node.record(required=("fields", "reference", "unknown"))
    target = entries["reference"].record(required=("resource", "fields"))
    return ForeignKey(
        columns=entries["fields"].codes("a field of this table", names),
        table=target["resource"].text(_NAME),
        target_columns=target["fields"].texts(_NAME),
        unknown=entries["unknown"].code("what happens to an unknown key", ("hold", "wait")),
    )


def _field(node: Node, vocabulary: Vocabulary, *, is_own: bool) -> Field:
    more = ("codesFrom", "dependsOn", "patternWords", "default", "pseudonym", "again")
    of_joint = ("after", "synonyms", "code_synonyms")
    entries = node.record(
        required=("name", "type", "title", "description"),
        optional=("unit", "constraints", "labels", *(of_joint if is_own else more)),
    )
    said = vocabulary.catalogue.noun.said
    limits = (
        entries["constraints"].record(optional=("required", "enum", "minimum", "maximum", "pattern"))
        if "constraints" in entries
        else {}
    )
    enum, labels = _codes(entries, limits, vocabulary)
    kind = entries["type"].code("a type", tuple(_SQL_TYPES))
    return Field(
        name=entries["name"].text(_NAME),
        type=kind,
        title=said(entries["title"].text()),
        description=said(entries["description"].text()),
        unit=entries["unit"].text() if "unit" in entries else None,
        required="required" in limits and limits["required"].flag(),
        is_pseudonym="pseudonym" in entries and entries["pseudonym"].flag(),
        pattern=limits["pattern"].text() if "pattern" in limits else None,
        pattern_words=entries["patternWords"].text() if "patternWords" in entries else "",
        enum=enum,
        labels=MappingProxyType({code: said(label) for code, label in labels.items()}),
        minimum=limits["minimum"].integer() if "minimum" in limits else None,
        maximum=limits["maximum"].integer() if "maximum" in limits else None,
        default=_default(entries["default"], vocabulary.catalogue) if "default" in entries else None,
        depends=_dependency(entries["dependsOn"], vocabulary.catalogue) if "dependsOn" in entries else None,
        again=entries["again"].code("a rule for what comes again", _AGAIN) if "again" in entries else None,
        is_clinical=is_own or _is_of_catalogue(entries),
        synonyms=entries["synonyms"].texts(_WORD) if "synonyms" in entries else (),
        code_synonyms=MappingProxyType(
            {code: one.texts(_WORD) for code, one in entries["code_synonyms"].record(optional=enum or ()).items()}
            if "code_synonyms" in entries
            else {}
        ),
    )


def _default(node: Node, catalogue: Catalogue) -> int | str:
    """A number, or the joint of the catalogue."""
    return catalogue.joint if node.content == "joint" else node.integer()


def _is_of_catalogue(entries: Mapping[str, Node]) -> bool:
    """Whether the codes of a column are those of the catalogue, or some of them may be."""
    source = entries["codesFrom"].text() if "codesFrom" in entries else ""
    return source in (*_SECTIONS, _JOINTS) or entries["name"].text() == "sign"


def _codes(
    entries: dict[str, Node], limits: dict[str, Node], vocabulary: Vocabulary
) -> tuple[tuple[str, ...] | None, Mapping[str, str]]:
    """The closed legal set of a field and what each code means; None where the field is open."""
    if "codesFrom" in entries:
        return vocabulary.codes(entries["codesFrom"])
    if "enum" not in limits:
        return None, {}
    enum = limits["enum"].texts(_NAME)
    if "labels" not in entries:
        raise entries["name"].fail("has codes without labels", "add `labels` that say what each code means")
    labels = {code: node.text() for code, node in entries["labels"].record(required=enum).items()}
    if entries["name"].text() == "sign":
        labels |= vocabulary.catalogue.signs
    return tuple(labels), labels


def _dependency(node: Node, catalogue: Catalogue) -> Dependency:
    entries = node.record(required=("column", "property"))
    prop = entries["property"].code("a property that the catalogue lists", _PROPERTIES)
    maneuvers, conditions = catalogue.maneuvers, catalogue.conditions
    allowed: dict[str, frozenset[str]] = {
        "signs": {code: frozenset(item.signs) for code, item in maneuvers.items()},
        "grades": {code: frozenset(str(grade) for grade in item.grades) for code, item in maneuvers.items()},
        "unit": {code: frozenset({item.unit}) for code, item in maneuvers.items() if item.unit},
        "severity": {code: frozenset(value.code for value in item.severity) for code, item in conditions.items()},
        "pattern": {code: frozenset(value.code for value in item.pattern) for code, item in conditions.items()},
    }[prop]
    return Dependency(entries["column"].text(_NAME), MappingProxyType(allowed), any_value=prop == "unit")


def _optional_items(entries: dict[str, Node], key: str) -> tuple[Node, ...]:
    return entries[key].items() if key in entries else ()
