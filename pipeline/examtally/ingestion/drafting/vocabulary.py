"""Everything a column name or a value may say: the words of the catalogue, the tables and the declared synonyms."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from examtally.contracts.contract import Contract
from examtally.contracts.records.synonyms import synonyms, vocabulary
from examtally.ingestion.drafting.tokens import Phrases, phrases_of


class Lexicon:
    """The phrases of one catalogue, each kind made when it is first asked for."""

    def __init__(self, contract: Contract) -> None:
        self.contract = contract

    def words(self, name: str) -> Mapping[str, str]:
        """Return the vocabulary of `table.column`."""
        table, _, column = name.partition(".")
        declared = self.contract.tables[table]
        return vocabulary(self.contract, declared, declared.field(column))

    @cached_property
    def side_words(self) -> Mapping[str, str]:
        """Words and letters for a side."""
        return {word: code for word, code in self.words("exams.side").items() if word.isalpha()}

    @cached_property
    def maneuvers(self) -> Phrases:
        """Maneuvers."""
        items = self.contract.catalogue.maneuvers
        return phrases_of({code: (item.name, *item.synonyms, *item.shorts) for code, item in items.items()})

    @cached_property
    def items(self) -> Phrases:
        """History items."""
        items = self.contract.catalogue.history
        return phrases_of({code: (item.label, *item.synonyms, *item.shorts) for code, item in items.items()})

    @cached_property
    def conditions(self) -> Phrases:
        """Conditions."""
        items = self.contract.catalogue.conditions
        return phrases_of({code: (item.name, *item.synonyms) for code, item in items.items()})

    @cached_property
    def stages(self) -> Phrases:
        """Stages of an impression."""
        return phrases_of(synonyms().codes["impressions.stage"])

    @cached_property
    def modalities(self) -> Phrases:
        """Reference tests."""
        items = self.contract.catalogue.modalities
        return phrases_of({code: item.synonyms for code, item in items.items()})

    @cached_property
    def columns(self) -> Phrases:
        """Columns of the record tables as `table.column`; weight and height."""
        words = dict(synonyms().columns)
        for table in self.contract.tables.values():
            words |= {f"{table.name}.{field.name}": field.synonyms for field in table.fields if field.synonyms}
        pairs = [(word, name) for name, own in words.items() for word in own]
        pairs += [(name.partition(".")[2].replace("_", " "), name) for name in words]
        pairs += [(word, "weight.") for word in synonyms().weights] + [(word, "height.") for word in synonyms().heights]
        return Phrases(pairs)

    @cached_property
    def left_out(self) -> Mapping[str, Phrases]:
        """What is left out, by kind."""
        known = synonyms()
        kinds = {
            "record number": known.record_numbers,
            "identifies a person": known.identifying,
            "free text": known.free_text,
            "date": known.dates,
        }
        return {kind: Phrases(((word, kind) for word in words), shortened=False) for kind, words in kinds.items()}
