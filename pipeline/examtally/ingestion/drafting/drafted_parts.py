"""What the entries of a drafted mapping are made of: who, which visit, which knee, and single columns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import fold
from examtally.contracts.mapping.values import OPEN
from examtally.contracts.records.tables import Field
from examtally.ingestion.drafting.assigning import Assignment, Placed
from examtally.ingestion.drafting.column_inference import SURE, Guesser
from examtally.ingestion.drafting.drafted_values import Drafted, coded
from examtally.ingestion.drafting.profiling import Column, Look
from examtally.ingestion.drafting.tokens import words_of
from examtally.ingestion.drafting.yaml_text import flow_map, quoted_text
from examtally.ingestion.mapping.header import Header

_OF_ONSET = ("injury", "injured", "onset", "accident", "unfall", "unfalldatum", "symptoms")
_OF_BIRTH = ("dob", "birth", "birthdate", "birthday", "born", "geburtsdatum")
NOWHERE = f'"{OPEN}"'
_HOLDS = "holds {}s; deidentify replaces them, see the end"
_MOST_LISTED = 6


@dataclass(frozen=True)
class Beside:
    """What the other exports of a draft are: several at all, one with people and visits, one with a side a line.

    `has_dates` tells that one holds dates of visits.
    """

    is_several: bool = False
    has_people: bool = False
    has_sides: bool = False
    has_dates: bool = False


@dataclass(frozen=True)
class EntryParts:
    """The parts that entries share, for one export and where its columns go."""

    contract: Contract
    guesser: Guesser
    found: Assignment
    look: Look
    beside: Beside

    def exam_id(self, *, sided: bool) -> Drafted:
        """What tells an exam apart; `sided` where the entry reads each knee by itself."""
        exam = self.found.field("exams.exam_id")
        names = self.visit()
        doubt = "" if exam is None or exam.guess.score >= SURE else "guessed from its name or values"
        if exam is None:
            doubt = "no code of the visit was found"
        if not names:
            return Drafted(NOWHERE, "no column was found")
        parts = [quoted_text(name) for name in names]
        if self.sides and sided:
            parts.append("{each: side}")
        elif self.sides:
            letters = self._affected_codes({"left": "L", "right": "R"})
            parts.append(letters or "{value: R}")
            doubt = doubt or ("" if letters else "which side does it speak of?")
        elif self.is_split:
            parts.append("{each: side}")
            doubt = doubt or "an exam of each side in every visit?"
        elif self.affected is not None and (exam is None or exam.column.distinct_by_side > exam.column.distinct):
            parts.append(self._affected_codes({"left": "L", "right": "R"}))
        text = parts[0] if len(parts) == 1 else f"{{join: [{', '.join(parts)}]}}"
        return Drafted(text, doubt)

    def visit(self) -> list[str]:
        """The column that tells a visit apart; where it has no code those of the person and the day."""
        exam = self.found.field("exams.exam_id")
        if exam is not None:
            return [exam.column.name]
        day = self.found.field("exams.exam_day") or self.found.field("exams.period")
        left_out = {one.guess.target: one for one in reversed(self.found.ignored)}
        person = self.found.field("participants.participant_id") or left_out.get("record number")
        return [one.column.name for one in (person, day or left_out.get("date")) if one is not None]

    def side(self, *, sided: bool) -> str:
        """Which knee."""
        if (self.sides and sided) or self.is_split:
            return "side: {each: side}"
        affected = self.affected
        if affected is None:
            return Drafted(NOWHERE, "no column was found").line("side")
        declared = self.declared("exams", "side")
        name = affected.column.name
        return coded(self.guesser, "exams.side", declared, [affected.column], name, affected.guess.score).line("side")

    def complaint(self) -> str:
        """Whether it is the knee complained of."""
        affected = self.affected
        if self.sides and affected is not None:
            codes = flow_map(self._side_codes(affected.column, {"left": "left", "right": "right"}))
            return f"complaint: {{column: {quoted_text(affected.column.name)}, codes: {codes}, same_as: side}}"
        return self.field("exams", "complaint")

    @cached_property
    def affected(self) -> Placed | None:
        """The column that says which knee it is about."""
        words = self.guesser.words("exams.side")
        for name in ("exams.side", "exams.complaint"):
            one = self.found.field(name)
            if one is not None and sum(fold(value) in words for value, _ in one.column.values) >= 0.6 * len(
                one.column.values
            ):
                return one
        return None

    def _affected_codes(self, letters: Mapping[str, str]) -> str:
        if self.affected is None:
            return ""
        codes = self._side_codes(self.affected.column, letters)
        name = quoted_text(self.affected.column.name)
        is_as_written = all(word == letter for word, letter in codes.items())
        return name if is_as_written else f"{{column: {name}, codes: {flow_map(codes)}}}"

    def _side_codes(self, column: Column, letters: Mapping[str, str]) -> dict[str, str | None]:
        words = self.guesser.words("exams.side")
        found: dict[str, tuple[str, str]] = {}
        for value, _ in column.values:
            if fold(value) in words:
                found.setdefault(fold(value), (value, letters[words[fold(value)]]))
        return dict(found.values())

    @cached_property
    def sides(self) -> dict[str, str]:
        """What column names write for the sides, where one line speaks of both knees."""
        columns = [one for group in (*self.found.groups.values(), *self.found.fields.values()) for one in group]
        return {one.word("side"): one.guess.spans["side"][2] for one in columns if "side" in one.guess.spans}

    def when_any(self) -> list[str]:
        """Every column of a finding, its side written as {side}: what shows that this side was examined.

        Many that are named alike are said by one pattern, where no other column has such a name.
        """
        sided = [one for one in self.found.groups.get("findings", ()) if "side" in one.guess.spans]
        sided = sided or [one for group in self.found.fields.values() for one in group if "side" in one.guess.spans]
        names = []
        for one in sided:
            start, end, _ = one.guess.spans["side"]
            names.append(f"{one.column.name[:start]}{{side}}{one.column.name[end:]}")
        both = [name for name, count in Counter(names).items() if count == len(self.sides)]
        if len(both) <= _MOST_LISTED:
            return both or ["*"]
        read = {one.column.place for one in sided}
        return next(([pattern] for pattern in _patterns(both) if self._found_by(pattern) == read), both)

    def _found_by(self, pattern: str) -> set[int]:
        """The places of the columns that a pattern finds, for any of the sides."""
        said = [pattern.replace("{side}", word) for word in self.sides]
        columns = self.look.columns
        found = Header([one.name for one in columns]).like(said).values()
        return {columns[at - 1].place for places in found for at in places}

    @property
    def has_person(self) -> bool:
        """Whether a column tells who it was."""
        targets = {one.guess.target for one in self.found.ignored}
        return self.found.field("participants.participant_id") is not None or "record number" in targets

    @property
    def is_reading(self) -> bool:
        """Whether the export is one of readings alone, by its name and by what it lacks."""
        is_named = self.guesser.modality is not None or self.guesser.compound is not None
        return is_named and "findings" not in {*self.found.groups, *self.guesser.long_form}

    @property
    def is_split(self) -> bool:
        """Whether a visit stands here without a side, and in another export with one a line."""
        return self.beside.has_sides and self.affected is None and not self.sides and not self.is_reading

    @property
    def is_long(self) -> bool:
        """Whether a visit stands in several lines."""
        exam = self.found.field("exams.exam_id")
        return exam is not None and exam.column.distinct < exam.column.filled

    def person(self) -> str:
        """The participant."""
        return self._from_other("participant_id", "participants.participant_id")

    def examiner(self) -> str:
        """The examiner."""
        return self._from_other("examiner_id", "examiners.examiner_id")

    def _from_other(self, name: str, place: str) -> str:
        one = self.found.field(place)
        if one is not None:
            return f"{name}: {quoted_text(one.column.name)}"
        return self._instead(name, "record number" if name == "participant_id" else "")

    def _instead(self, name: str, left_out: str, of: str = "") -> str:
        """A column that cannot stay as it is but is what is meant, once its content is replaced.

        Of several the first whose name holds the word `of`, such as the date of the MRI.
        """
        one = self.left_out(left_out, of)
        if one is None:
            return Drafted(NOWHERE, "no column was found").line(name)
        return Drafted(quoted_text(one.column.name), _HOLDS.format(left_out)).line(name)

    def left_out(self, kind: str, of: str = "") -> Placed | None:
        """The first column of a kind that is left out whose name holds the word `of`, else the first."""
        found = [one for one in self.found.ignored if one.guess.target == kind]
        return next((one for one in found if of in fold(one.column.name)), found[0] if found else None)

    @property
    def raw_person(self) -> Placed | None:
        """The column of record numbers, where no code tells who it was."""
        own = self.found.field("participants.participant_id")
        return self.left_out("record number") if own is None else None

    @property
    def person_column(self) -> Placed | None:
        """The column that tells who it was."""
        return self.found.field("participants.participant_id") or self.raw_person

    @property
    def accession(self) -> Placed | None:
        """A column of accession numbers that is left out."""
        return next((one for one in self.found.ignored if "accession" in fold(one.column.name)), None)

    @property
    def raw_dates(self) -> list[Placed]:
        """The columns of dates that stand for days here."""
        days = [self.visit_date]
        if self.is_reading or "references" in {*self.found.groups, *self.guesser.long_form}:
            modality = self.guesser.modality or next(
                (one.guess.modality for one in self.found.groups.get("references", ()) if one.guess.modality), ""
            )
            own = self.found.field("references.reference_day")
            days.append(self.left_out("date", modality.replace("_", " ")) if own is None else None)
        return [one for one in days if one is not None]

    @property
    def visit_date(self) -> Placed | None:
        """The date of the visit, where no column holds its day."""
        has_day = self.is_reading or self.found.field("exams.exam_day") is not None
        dates = [one for one in self.found.ignored if one.guess.target == "date" and not _says(one, _OF_ONSET)]
        return None if has_day else next(iter(dates), None)

    @property
    def onset_date(self) -> Placed | None:
        """The date of the injury, where no column holds the days since."""
        is_known = self.found.field("exams.days_since_onset") is not None or self.visit_date is None
        found = (one for one in self.found.ignored if one.guess.target == "date" and _says(one, _OF_ONSET))
        return None if is_known else next(found, None)

    @property
    def born(self) -> Placed | None:
        """The date of birth, where there is no age and here or in another export a visit that it can be told at."""
        has_visits = self.visit_date is not None or (self.beside.has_dates and not self.is_reading)
        known = self.found.field("participants.age_years") is not None or not has_visits
        return None if known else next(filter(is_birth, self.found.ignored), None)

    @property
    def made_month(self) -> str:
        """A name for the column of months that de-identification makes."""
        return self._free("month")

    @property
    def made_age(self) -> str:
        """A name for the column of ages that de-identification makes."""
        return self._free("age")

    def _free(self, name: str) -> str:
        return f"{name} made" if name in {fold(one.name) for one in self.look.columns} else name

    def needed(self, table: str, name: str, of: str = "") -> str:
        """A column that must be there; of several dates the one whose name holds the word `of`."""
        dated = "date" if name in ("exam_day", "reference_day") else ""
        if name == "period" and self.visit_date is not None and not self.field(table, name):
            return f"period: {self.made_month}"
        if name == "exam_day" and self.visit_date is not None:
            return Drafted(quoted_text(self.visit_date.column.name), _HOLDS.format("date")).line(name)
        return self.field(table, name) or self._instead(name, dated, of)

    def field(self, table: str, name: str) -> str:
        """A column of the export that was taken for `table.name`, blank where there is none."""
        placed = self.found.fields.get(f"{table}.{name}", ())
        if not placed:
            return ""
        columns = [one.column for one in placed]
        spans = placed[0].guess.spans
        template = placed[0].template if "side" in spans else placed[0].column.name
        score = min(one.guess.score for one in placed)
        return coded(self.guesser, f"{table}.{name}", self.declared(table, name), columns, template, score).line(name)

    def body_mass(self) -> str:
        """Body mass index from weight and height, their units told by their size."""
        weight, height = self.found.alone["weight"].column, self.found.alone["height"].column
        units = []
        if any(word in fold(weight.name) for word in ("lb", "pound")) or _median(weight) > 130:
            units.append("weight_unit: lb")
        tall = _median(height)
        if tall < 3:
            units.append("height_unit: m")
        elif tall < 90:
            units.append("height_unit: inch")
        inner = ", ".join([f"weight: {quoted_text(weight.name)}", f"height: {quoted_text(height.name)}", *units])
        return f"bmi: {{bmi: {{{inner}}}}}"

    def declared(self, table: str, name: str) -> Field:
        """The declaration of a column."""
        return self.contract.tables[table].field(name)


def is_birth(one: Placed) -> bool:
    """Whether a column that is left out holds dates of birth."""
    return one.guess.target == "identifies a person" and _says(one, _OF_BIRTH)


def _says(one: Placed, words: Collection[str]) -> bool:
    said = [word.text for word in words_of(one.column.name)]
    return any(word in words for word in (*said, "".join(said)))


def _patterns(names: list[str]) -> Iterator[str]:
    """What all the names begin or end with, the side and the sign beside it, and `*` for the rest."""
    heads, _, tails = zip(*(name.partition("{side}") for name in names), strict=True)
    before, after = {head[-1:] for head in heads}, {tail[:1] for tail in tails}
    if len(set(heads)) == 1 and len(after) == 1:
        yield f"{heads[0]}{{side}}{after.pop()}*"
    if len(set(tails)) == 1 and len(before) == 1:
        yield f"*{before.pop()}{{side}}{tails[0]}"


def _median(column: Column) -> float:
    numbers = []
    for value, lines in column.values:
        try:
            numbers += [float(value.replace(",", "."))] * lines
        except ValueError:
            continue
    return sorted(numbers)[len(numbers) // 2] if numbers else 0.0
