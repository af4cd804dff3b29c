"""Everything a column name or a value may say: the words of the catalogue, the tables and the declared synonyms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import fold
from examtally.contracts.records.own_synonyms import BODY, OwnSynonyms, place_of
from examtally.contracts.records.synonyms import synonyms, vocabulary
from examtally.ingestion.drafting.tokens import Phrases, phrases_of, words_of

SAID_WHOLE = 0.97


class Lexicon:
    """The phrases of one catalogue and of a group's own synonyms, each kind made when it is first asked for."""

    def __init__(self, contract: Contract, own: OwnSynonyms) -> None:
        self.contract = contract
        self._own = own
        self._words: dict[str, Mapping[str, str]] = {}
        self._taught = {fold(name): place for name, place in own.columns.items()}
        self._taught |= dict.fromkeys(map(fold, own.ignored), "")

    def words(self, name: str) -> Mapping[str, str]:
        """Return the vocabulary of `table.column`; the group's own words go before."""
        if name not in self._words:
            table, _, column = name.partition(".")
            declared = self.contract.tables[table]
            shipped = vocabulary(self.contract, declared, declared.field(column))
            self._words[name] = {**shipped, **self._taught_codes(name)}
        return self._words[name]

    def taught(self, name: str) -> str | None:
        """The place that the group gave a column of that name, blank where it is not read, None where it said none."""
        return self._taught.get(fold(name))

    def taught_code(self, place: str, word: str) -> str | None:
        """The code that the group gave a word."""
        return self._taught_codes(place).get(fold(word))

    def place_of(self, name: str) -> str | None:
        """The place that a whole name stands for, None where it is not known."""
        own = self.taught(name)
        if own is not None:
            return own
        match = self.columns.best(words_of(name))
        if match is None or match.score < SAID_WHOLE:
            return None
        return match.target.removesuffix(".") if match.target.removesuffix(".") in BODY else match.target

    def is_left_out(self, name: str) -> bool:
        """Whether a column of that name is known not to be read."""
        matches = [phrases.best(words_of(name)) for phrases in self.left_out.values()]
        return self.taught(name) == "" or any(match is not None and match.score >= SAID_WHOLE for match in matches)

    def _taught_codes(self, place: str) -> dict[str, str]:
        table, _, column = place.partition(".")
        declared = self.contract.tables[table]
        return self._own.codes_of(place_of(declared, column), declared.field(column).enum)

    @cached_property
    def side_words(self) -> Mapping[str, str]:
        """Words and letters for a side."""
        return {word: code for word, code in self.words("exams.side").items() if word.isalpha()}

    @cached_property
    def maneuvers(self) -> Phrases:
        """Maneuvers."""
        items = self.contract.catalogue.maneuvers
        words = {code: (item.name, *item.synonyms, *item.shorts) for code, item in items.items()}
        return self._phrases("findings.maneuver", words)

    @cached_property
    def items(self) -> Phrases:
        """History items."""
        items = self.contract.catalogue.history
        words = {code: (item.label, *item.synonyms, *item.shorts) for code, item in items.items()}
        return self._phrases("history.item", words)

    @cached_property
    def conditions(self) -> Phrases:
        """Conditions."""
        items = self.contract.catalogue.conditions
        words = {code: (item.name, *item.synonyms) for code, item in items.items()}
        return self._phrases("references.condition", words)

    @cached_property
    def stages(self) -> Phrases:
        """Stages of an impression."""
        return self._phrases("impressions.stage", synonyms().codes["impressions.stage"])

    @cached_property
    def modalities(self) -> Phrases:
        """Reference tests."""
        items = self.contract.catalogue.modalities
        return self._phrases("references.modality", {code: item.synonyms for code, item in items.items()})

    def _phrases(self, place: str, words: Mapping[str, Iterable[str]]) -> Phrases:
        """The phrases of codes, those of the group first."""
        own: dict[str, list[str]] = {}
        for word, code in self._taught_codes(place).items():
            own.setdefault(code, []).append(word)
        return phrases_of(words, own)

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
