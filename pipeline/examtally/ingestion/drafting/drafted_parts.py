"""What the entries of a drafted mapping are made of: who, which visit, which knee, and single columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import fold
from examtally.contracts.records.tables import Field
from examtally.ingestion.drafting.assigning import Assignment, Placed
from examtally.ingestion.drafting.column_inference import SURE, Guesser
from examtally.ingestion.drafting.drafted_values import Drafted, coded
from examtally.ingestion.drafting.profiling import Column, Look
from examtally.ingestion.drafting.yaml_text import flow_map, quoted_text

NOWHERE = '"???"'
_MOST_WHEN = 6


@dataclass(frozen=True)
class EntryParts:
    """The parts that entries share, for one export and where its columns go."""

    contract: Contract
    guesser: Guesser
    found: Assignment
    look: Look
    needs_from: bool

    def exam_id(self, *, sided: bool) -> Drafted:
        """What tells an exam apart; `sided` where the entry reads each knee by itself."""
        exam = self.found.field("exams.exam_id")
        names = [exam.column.name] if exam else []
        doubt = "" if exam is None or exam.guess.score >= SURE else "guessed from its name or values"
        if exam is None:
            names = self._visit()
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
        text = parts[0] if len(parts) == 1 else f"{{join: [{', '.join(parts)}]}}"
        return Drafted(text, doubt)

    def _visit(self) -> list[str]:
        """Columns that tell a visit apart where it has no code: the person and the day."""
        day = self.found.field("exams.exam_day") or self.found.field("exams.period")
        left_out = {one.guess.target: one for one in reversed(self.found.ignored)}
        person = self.found.field("participants.participant_id") or left_out.get("record number")
        return [one.column.name for one in (person, day or left_out.get("date")) if one is not None]

    def side(self, *, sided: bool) -> str:
        """Which knee."""
        if self.sides and sided:
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
        codes = flow_map(self._side_codes(self.affected.column, letters))
        return f"{{column: {quoted_text(self.affected.column.name)}, codes: {codes}}}"

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
        """Columns, one side written as {side}, that show that a knee was examined."""
        sided = [one for one in self.found.groups.get("findings", ()) if "side" in one.guess.spans]
        sided = sided or [one for group in self.found.fields.values() for one in group if "side" in one.guess.spans]
        names = []
        for one in sided:
            start, end, _ = one.guess.spans["side"]
            names.append(f"{one.column.name[:start]}{{side}}{one.column.name[end:]}")
        counts = {name: names.count(name) for name in names}
        return [name for name in dict.fromkeys(names) if counts[name] == len(self.sides)][:_MOST_WHEN] or ["*"]

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
        found = [one for one in self.found.ignored if one.guess.target == left_out]
        one = next((one for one in found if of in fold(one.column.name)), found[0] if found else None)
        if one is None:
            return Drafted(NOWHERE, "no column was found").line(name)
        return Drafted(
            quoted_text(one.column.name), f"holds {left_out}s, which must be replaced before it can enter"
        ).line(name)

    def needed(self, table: str, name: str, of: str = "") -> str:
        """A column that must be there; of several dates the one whose name holds the word `of`."""
        dated = "date" if name in ("period", "exam_day", "reference_day") else ""
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
        weight, height = self.found.body["weight"].column, self.found.body["height"].column
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


def _median(column: Column) -> float:
    numbers = []
    for value, lines in column.values:
        try:
            numbers += [float(value.replace(",", "."))] * lines
        except ValueError:
            continue
    return sorted(numbers)[len(numbers) // 2] if numbers else 0.0
