"""Words that clinics write for columns and codes: declared in schemas/synonyms.yaml and in the catalogue."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import fold
from examtally.contracts.records.tables import Field, Table
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource

_WORD = r"[^A-Z_]+"
_LISTS = (
    "identifying",
    "record_numbers",
    "free_text",
    "dates",
    "fillers",
    "summaries",
    "file_words",
    "weights",
    "heights",
    "probabilities",
    "versions",
)
_YES_NO = {"yes", "no", "unknown"}


@dataclass(frozen=True)
class Synonyms:
    """The declared words as they are written: of columns, codes and conditions, and of columns to leave out."""

    columns: Mapping[str, tuple[str, ...]]
    codes: Mapping[str, Mapping[str, tuple[str, ...]]]
    identifying: tuple[str, ...]
    record_numbers: tuple[str, ...]
    free_text: tuple[str, ...]
    dates: tuple[str, ...]
    abbreviations: Mapping[str, str]
    fillers: frozenset[str]
    summaries: tuple[str, ...]
    file_words: tuple[str, ...]
    weights: tuple[str, ...]
    heights: tuple[str, ...]
    probabilities: tuple[str, ...]
    versions: tuple[str, ...]


@cache
def synonyms() -> Synonyms:
    """Return the declared words; raises ContractError where the declaration is wrong."""
    top = load_yaml(resource("schemas") / "synonyms.yaml").record(
        required=("title", "columns", "codes", "abbreviations", *_LISTS)
    )
    place = r"(\*|[a-z]+)\.[a-z_]+"
    return Synonyms(
        columns={name: node.texts(_WORD) for name, node in top["columns"].table("a column", place).items()},
        codes={name: _words_by_code(node) for name, node in top["codes"].table("a column", place).items()},
        abbreviations={word: node.text(_WORD) for word, node in top["abbreviations"].table("a word", _WORD).items()},
        fillers=frozenset(top["fillers"].texts(_WORD)),
        **{name: top[name].texts(_WORD) for name in _LISTS if name != "fillers"},
    )


def vocabulary(contract: Contract, table: Table, field: Field) -> Mapping[str, str]:
    """Return every folded word that stands for a code of `field`, with the code; codes and names go before synonyms."""
    words: dict[str, str] = {}
    for word, code in (*_own_words(field), *_catalogue_words(contract, field), *_declared_words(table, field)):
        words.setdefault(fold(word), code)
    return MappingProxyType(words)


def own_words(field: Field) -> Mapping[str, str]:
    """Return the folded codes and names of a closed column with their codes: what needs no translation.

    `pos` and `neg` are taken for positive and negative as well.
    """
    words: dict[str, str] = {}
    for word, code in _own_words(field):
        words.setdefault(fold(word), code)
    return words


def _words_by_code(node: Node) -> Mapping[str, tuple[str, ...]]:
    return {code: one.texts(_WORD) for code, one in node.table("a code", r"[a-z0-9_.]+").items()}


def _own_words(field: Field) -> Iterator[tuple[str, str]]:
    for code in field.enum or ():
        yield code, code
    for code, label in field.labels.items():
        yield label, code
    yield from field.spellings.items()


def _catalogue_words(contract: Contract, field: Field) -> Iterator[tuple[str, str]]:
    catalogue = contract.catalogue
    words = {
        "maneuver": {code: (*item.synonyms, *item.shorts) for code, item in catalogue.maneuvers.items()},
        "item": {code: (*item.synonyms, *item.shorts) for code, item in catalogue.history.items()},
        "mechanism": {code: item.synonyms for code, item in catalogue.mechanisms.items()},
        "condition": {code: item.synonyms for code, item in catalogue.conditions.items()},
        "modality": {code: item.synonyms for code, item in catalogue.modalities.items()},
        catalogue.other_side_column: synonyms().codes["*.other_side"],
    }
    for code, synonyms_of in (field.code_synonyms or words.get(field.name, {})).items():
        yield from ((word, code) for word in synonyms_of)


def _declared_words(table: Table, field: Field) -> Iterator[tuple[str, str]]:
    names = [f"{table.name}.{field.name}", f"*.{field.name}"]
    if set(field.enum or ()) == _YES_NO:
        names.append("*.yesno")
    if field.name == "examiner_role":
        names.append("examiners.role")
    for name in names:
        for code, words in synonyms().codes.get(name, {}).items():
            yield from ((word, code) for word in words)
