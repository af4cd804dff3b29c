"""What each column of an unknown export may be: guessed from its name and from the values it holds."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import fold
from examtally.contracts.records.own_synonyms import OwnSynonyms
from examtally.contracts.records.synonyms import synonyms
from examtally.contracts.records.tables import Field
from examtally.ingestion.drafting.compound import find_compound
from examtally.ingestion.drafting.profiling import Column
from examtally.ingestion.drafting.tokens import Match, Phrases, Word, words_of
from examtally.ingestion.drafting.value_match import (
    DAY_MONTH,
    MONTH_DAY,
    PERIOD,
    numbers,
    parts,
    share_of,
    told_by_values,
)
from examtally.ingestion.drafting.vocabulary import Lexicon

SURE, LEAST = 0.8, 0.5
_NAME_WEIGHT = 0.7
_SAID_PLAINLY = 0.95
_FEW_VALUES = 15
_PSEUDONYM = re.compile(r"(?=.*[0-9])[A-Z0-9][A-Z0-9-]{0,39}")
_DATE = re.compile(rf"(\d{{1,4}}[-./]\d{{1,2}}[-./]\d{{1,4}}|{DAY_MONTH}|{MONTH_DAY})([T ].*)?", re.IGNORECASE)
_LONG_TEXT = 25
_OF_VALUES = 0.55  # how sure a column is of which only the values speak
_LONG_FORM = {"findings": "maneuver", "history": "item", "impressions": "condition", "references": "condition"}


Fit = Callable[[str, Column], float]


@dataclass(frozen=True)
class Guess:
    """One way to read a column: its kind, what it stands for, how likely, and where the names of `each` are in it.

    `kind` is maneuver, item, impression, reference, field, weight, height, compound (whole reports), version or ignore;
    `spans` maps a name of `each` to (start, end, code).
    """

    kind: str
    target: str
    score: float
    spans: Mapping[str, tuple[int, int, str]] = field(default_factory=dict)
    modality: str | None = None


class Guesser:
    """Knows the words of the catalogue and the tables, and which long forms the export has.

    `modality` is the reference test that the name of the `file` speaks of, `compound` a column of whole reports.
    """

    def __init__(self, contract: Contract, columns: Sequence[Column], own: OwnSynonyms, file: str = "") -> None:
        self.contract = contract
        self.columns = columns
        self._lexicon = Lexicon(contract, own)
        self._paired = self._find_pairs()
        self.long_form = dict(self._find_long_forms())
        said = [modality for modality, _ in _without(words_of(file), self._lexicon.modalities) if modality is not None]
        self.modality = said[0].target if said else None
        self.compound = find_compound(columns, self._lexicon)

    def guesses(self, column: Column) -> list[Guess]:
        """Return the ways to read a column that are likely enough, the likeliest first."""
        found = [guess for guess in self._all(column) if guess.score >= LEAST]
        return sorted(found, key=lambda guess: (-guess.score, guess.kind, guess.target))

    def words(self, name: str) -> Mapping[str, str]:
        """Return the vocabulary of `table.column`."""
        return self._lexicon.words(name)

    def _all(self, column: Column) -> Iterator[Guess]:
        words = words_of(column.name)
        taught = list(self._reports(column)) or list(self._taught(column, words))
        if taught:
            yield from taught
            return
        lower = [word for word in words if word.start >= column.below]
        yield from self._ignored(column, lower)
        is_long = "findings" in self.long_form
        of_readings = "references" in self.long_form
        told = told_by_values(
            column, self.words, is_long=is_long, is_paired=bool(self._paired), of_readings=of_readings
        )
        for place in told:
            yield Guess("field", place, _OF_VALUES)
        for one, factor in ((words, 1.0), (lower, 0.97)) if column.below else ((words, 1.0),):
            for side, rest in self._sides(column, one):
                for guess in self._of(column, rest):
                    spans = {**guess.spans, **side}
                    yield Guess(guess.kind, guess.target, guess.score * factor, spans, guess.modality)

    def _reports(self, column: Column) -> Iterator[Guess]:
        """A column of whole reports, and in readings the one that tells versions of them apart."""
        if self.compound is not None and self.compound.column is column:
            yield Guess("compound", "references", 1.0)
        if (self.compound or self.modality) and fold(column.name) in synonyms().versions:
            yield Guess("version", "references", 1.0)

    def _taught(self, column: Column, words: Sequence[Word]) -> Iterator[Guess]:
        """What the group's own synonyms say of the whole name, or of all of it but the side."""
        for side, rest in self._sides(column, words):
            if not rest or any(rest[0].start < start < rest[-1].start for start, _, _ in side.values()):
                continue
            first, last = (rest[0].start, rest[-1].end) if side else (0, len(column.name))
            name = column.name[first:last]
            place = self._lexicon.taught(name)
            if place == "":
                yield Guess("ignore", "said before", 1.0)
            elif place is not None:
                yield Guess("field" if "." in place else place, place, 1.0, side)
            for kind, own in (("maneuver", "findings.maneuver"), ("item", "history.item")):
                code = self._lexicon.taught_code(own, name)
                if code is not None:
                    yield Guess(kind, code, 1.0, {**side, kind: (first, last, code)})

    def _of(self, column: Column, words: Sequence[Word]) -> Iterator[Guess]:
        if not words:
            return
        of_reading = self.modality and self._is_severity(column, words, self._lexicon.conditions.best(words))
        if not of_reading:
            yield from self._coded(column, words, "maneuver", self._lexicon.maneuvers, self._finding_fit)
        yield from self._coded(
            column, words, "item", self._lexicon.items, lambda _code, one: self._share(one, "history.answer")
        )
        yield from self._impressions(column, words)
        yield from self._references(column, words)
        yield from self._fields(column, words)

    def _coded(self, column: Column, words: Sequence[Word], kind: str, phrases: Phrases, fit: Fit) -> Iterator[Guess]:
        for match in phrases.targets(words):
            score = _score(match.score, fit(match.target, column), column)
            yield Guess(kind, match.target, score, {kind: (match.start, match.end, match.target)})

    def _impressions(self, column: Column, words: Sequence[Word]) -> Iterator[Guess]:
        """A condition, with a stage or a word for a probability, and values that are probabilities."""
        fit = self._probability_fit(column)
        for stage, rest in _without(words, self._lexicon.stages):
            hints = [word for word in rest if word.text in synonyms().probabilities or word.text == "%"]
            condition = self._lexicon.conditions.best([word for word in rest if word not in hints])
            if condition is None or not (stage or hints) or fit < LEAST:
                continue
            spans = {"condition": (condition.start, condition.end, condition.target)}
            if stage is not None:
                spans["stage"] = (stage.start, stage.end, stage.target)
            bonus = 0.05 if stage is not None else -0.1
            yield Guess("impression", condition.target, _score(condition.score, fit, column) + bonus, spans)

    def _references(self, column: Column, words: Sequence[Word]) -> Iterator[Guess]:
        for found, rest in _without(words, self._lexicon.modalities):
            modality = found.target if found is not None else self.modality
            if modality is None or not rest:
                continue
            condition = self._lexicon.conditions.best(rest)
            fit = max(self._share(column, "references.status"), self._share(column, "references.severity"))
            if self._is_severity(column, rest, condition):
                continue
            if condition is not None and (found is not None or fit >= LEAST):
                spans = {"condition": (condition.start, condition.end, condition.target)}
                score = _score(condition.score, fit, column) + 0.05
                yield Guess("reference", condition.target, score, spans, modality)

    def _is_severity(self, column: Column, words: Sequence[Word], condition: Match | None) -> bool:
        """Whether a column holds the severity of a condition whose status another column tells."""
        said, graded = (self._share(column, f"references.{name}") for name in ("status", "severity"))
        return graded > said and _says_more(words, condition)

    def _fields(self, column: Column, words: Sequence[Word]) -> Iterator[Guess]:
        is_of_reading = any(
            modality is not None and modality.target != "open_surgery"
            for modality, _ in _without(words, self._lexicon.modalities)
        )
        if is_of_reading and all(word.text in synonyms().fillers or self._is_modality(word) for word in words):
            yield Guess("field", "references.reference_id", SURE * self._code_fit(column))
        for match in self._lexicon.columns.targets(words):
            table, _, name = match.target.partition(".")
            if is_of_reading and table != "references" and not name.endswith("_known"):
                continue
            if table in ("weight", "height"):
                yield Guess(table, table, _score(match.score, numbers(column, 20, 500), column))
                continue
            if table in _LONG_FORM and not self._is_open(table, name):
                continue
            declared = self.contract.tables[table].field(name)
            yield Guess("field", match.target, _score(match.score, self._field_fit(declared, table, column), column))

    def _is_modality(self, word: Word) -> bool:
        return self._lexicon.modalities.best([word]) is not None

    def _code_fit(self, column: Column) -> float:
        """How far the values are codes, each its own."""
        fit = share_of(column, lambda value: _PSEUDONYM.fullmatch(value.upper()) is not None)
        return fit if 2 * column.distinct > column.filled else 0.0

    def _is_open(self, table: str, name: str) -> bool:
        """Columns of a long table make sense only where the export has that form; a reading has others besides."""
        if table in self.long_form:
            return True
        return table == "references" and name in (
            "reference_id",
            "reference_day",
            "reader_id",
            "exam_known",
            "modality",
        )

    def _ignored(self, column: Column, words: Sequence[Word]) -> Iterator[Guess]:
        for kind, phrases in self._lexicon.left_out.items():
            match = phrases.best(words)
            if match is not None and not (kind == "date" and _has_no_digit(column)):
                yield Guess("ignore", kind, match.score * (0.94 if kind == "record number" else 0.93))
        sizes = [len(value) for value, _ in column.values]
        if sizes and sum(sizes) / len(sizes) > _LONG_TEXT:
            yield Guess("ignore", "free text", 0.75)
        if share_of(column, lambda value: _DATE.fullmatch(value) is not None) > 0.8:
            yield Guess("ignore", "date", 0.9)

    def _finding_fit(self, code: str, column: Column) -> float:
        maneuver = self.contract.catalogue.maneuvers[code]
        if maneuver.unit and numbers(column, -30, 200) > 0.9:
            return 1.0
        words = self.finding_words
        return share_of(column, lambda value: fold(value) in words or any(part in words for part in parts(value)[:1]))

    @cached_property
    def finding_words(self) -> Mapping[str, str]:
        """The vocabulary of a result."""
        return self.words("findings.result")

    def _probability_fit(self, column: Column) -> float:
        words = {fold(word) for items in synonyms().codes["*.probability"].values() for word in items}
        return max(numbers(column, 0, 100), share_of(column, lambda value: fold(value) in words or "%" in value))

    def _field_fit(self, declared: Field, table: str, column: Column) -> float:
        if declared.enum is not None:
            share = self._share(column, f"{table}.{declared.name}")
            return max(share, self._share(column, "exams.side")) if declared.name == "complaint" else share
        if declared.is_pseudonym:
            return share_of(column, lambda value: _PSEUDONYM.fullmatch(value.upper()) is not None)
        if declared.type != "string":
            low = declared.minimum if declared.minimum is not None else -1e9
            return numbers(column, low, declared.maximum if declared.maximum is not None else 1e9)
        if declared.pattern is not None:
            return share_of(column, lambda value: PERIOD.fullmatch(value) is not None)
        return 0.5

    def _share(self, column: Column, name: str) -> float:
        words = self.words(name)
        return share_of(column, lambda value: fold(value) in words)

    def _sides(
        self, column: Column, words: Sequence[Word]
    ) -> Iterator[tuple[dict[str, tuple[int, int, str]], Sequence[Word]]]:
        """The name without its side, where there is a column of the other side; and the name as it is."""
        yield {}, words
        for at, word in enumerate(words):
            code = self._side(column.name, word)
            if code is not None and _around(column.name, word) in self._paired:
                yield {"side": (word.start, word.end, code)}, [*words[:at], *words[at + 1 :]]

    def _side(self, name: str, word: Word) -> str | None:
        """The side that a word in a name is, as it stands for or as it is written."""
        words = self._lexicon.side_words
        return words.get(word.text) or words.get(name[word.start : word.end].lower())

    def _find_pairs(self) -> set[tuple[str, str]]:
        """Names around a side that occur with both sides."""
        sides: dict[tuple[str, str], set[str]] = {}
        for column in self.columns:
            for word in words_of(column.name):
                code = self._side(column.name, word)
                if code is not None:
                    sides.setdefault(_around(column.name, word), set()).add(code)
        return {around for around, codes in sides.items() if len(codes) == 2}

    def _find_long_forms(self) -> Iterator[tuple[str, Column]]:
        """Columns whose values are maneuvers, history items or conditions: one row each, not one column each."""
        for table, name in (("findings", "maneuver"), ("history", "item"), ("references", "condition")):
            phrases = {
                "maneuver": self._lexicon.maneuvers,
                "item": self._lexicon.items,
                "condition": self._lexicon.conditions,
            }[name]
            best = max(self.columns, key=lambda column: _known(phrases, column), default=None)
            if best is not None and best.distinct >= 2 and _known(phrases, best) >= 0.6 and best.filled > best.distinct:
                yield (table if name != "condition" or self._has_readings() else "impressions"), best

    def _has_readings(self) -> bool:
        """Whether some column tells how a condition was settled."""
        places = ("references.modality", "references.status")
        return any(
            self._share(column, place) >= 0.6 and column.distinct > 1 for column in self.columns for place in places
        )

    def maneuver_of(self, value: str) -> Match | None:
        """The maneuver that a value of a long column names."""
        return self._lexicon.maneuvers.best(words_of(value))

    def item_of(self, value: str) -> Match | None:
        """The history item that a value of a long column names."""
        return self._lexicon.items.best(words_of(value))

    def condition_of(self, value: str) -> Match | None:
        """The condition that a value of a long column names."""
        return self._lexicon.conditions.best(words_of(value))


def _score(name: float, fit: float, column: Column) -> float:
    """How likely a reading is; values that do not fit at all count against it."""
    if column.filled == 0:
        return name * 0.85
    total = _NAME_WEIGHT * name + (1 - _NAME_WEIGHT) * fit
    if fit >= 0.2:
        return total
    return 0.6 if name >= _SAID_PLAINLY and column.distinct <= _FEW_VALUES else 0.6 * total


def _without(words: Sequence[Word], phrases: Phrases) -> Iterator[tuple[Match | None, list[Word]]]:
    """The words without each phrase that stands in them whole; and all of them."""
    yield None, list(words)
    for first in range(len(words)):
        for last in range(first + 1, min(len(words), first + 4) + 1):
            match = phrases.best(words[first:last])
            if match is not None and match.score >= 0.97:
                yield match, [*words[:first], *words[last:]]


def _has_no_digit(column: Column) -> bool:
    return column.filled > 0 and not any(sign.isdigit() for value, _ in column.values for sign in value)


def _says_more(words: Sequence[Word], match: Match | None) -> bool:
    """Whether words stand beside the name that was found."""
    return match is not None and any(word.start < match.start or word.end > match.end for word in words)


def _around(name: str, word: Word) -> tuple[str, str]:
    return fold(name[: word.start]), fold(name[word.end :])


def _known(phrases: Phrases, column: Column) -> float:
    """The share of the different values that are phrases."""
    if not column.values:
        return 0.0
    found = [phrases.best(words_of(value)) for value, _ in column.values[:60] if len(value) < 60]
    return sum(match is not None and match.score >= 0.85 for match in found) / min(len(column.values), 60)
