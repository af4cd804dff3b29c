"""The entries of a drafted mapping, table by table."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from examtally.contracts.mapping.mapping import fold
from examtally.ingestion.drafting.assigning import Placed, by_template
from examtally.ingestion.drafting.column_inference import SURE
from examtally.ingestion.drafting.compound import Compound
from examtally.ingestion.drafting.drafted_parts import NOWHERE, EntryParts
from examtally.ingestion.drafting.drafted_values import Drafted, coded, finding_values, listed_with_counts, severity_of
from examtally.ingestion.drafting.profiling import Column
from examtally.ingestion.drafting.tokens import Match
from examtally.ingestion.drafting.value_match import share_of
from examtally.ingestion.drafting.yaml_text import UNSURE, flow, flow_map, quoted_text

_FEWEST_OF_EXAM = 3
_BESIDE = dict.fromkeys(("grade", "gr", "gr.", "laxity grade"), "grade") | dict.fromkeys(
    ("end point", "endpoint", "end feel", "ep"), "end_point"
)
_MOST = 0.7
_IDENTITY = {"exam_id", "participant_id", "examiner_id", "side", "complaint"}


class TableDrafter(EntryParts):
    """Drafts what one export feeds."""

    def tables(self) -> dict[str, list[list[str]]]:
        """Return the entries of every table, each as lines."""
        made = {
            "examiners": self._examiners(),
            "participants": self._participants(),
            "exams": self._exams(),
            "history": self._history(),
            "findings": self._findings(),
            "impressions": self._impressions(),
            "references": self._references(),
        }
        return {name: entries for name, entries in made.items() if entries}

    @property
    def ignored(self) -> list[str]:
        """Names of columns that are left out, but for those a table reads all the same."""
        made = "\n".join(line for entries in self.tables().values() for entry in entries for line in entry)
        names = [one.column.name for one in self.found.ignored]
        return [name for name in names if f": {quoted_text(name)} " not in made + " "]

    def _entry(self, head: Sequence[str], columns: Sequence[str]) -> list[str]:
        source = [f"from: {self.look.source.name}"] if self.beside.is_several else []
        return [*source, *head, "columns:", *(f"  {line}" for line in columns)]

    def _examiners(self) -> list[list[str]]:
        if self.found.field("examiners.examiner_id") is None or self.is_reading:
            return []
        lines = [self.field("examiners", name) for name in self.contract.tables["examiners"].names]
        return [self._entry(["repeats: first"], [line for line in lines if line])]

    def _participants(self) -> list[list[str]]:
        """The people, also where a record number is all that tells them apart."""
        names = [name for name in self.contract.tables["participants"].names if name != "participant_id"]
        about = [line for name in names if (line := self.field("participants", name))]
        if {"weight", "height"} <= set(self.found.alone):
            about.append(self.body_mass())
        if self.born is not None:
            about.append(f"age_years: {self.made_age}")
        is_known = self.found.field("participants.participant_id") is not None and not self.beside.has_people
        if not (is_known or about):
            return []
        return [self._entry(["repeats: first"], [self.person(), *about])]

    def _exams(self) -> list[list[str]]:
        names = {name for name in self.found.fields if name.startswith("exams.")} - {"exams.side"}
        has_findings = "findings" in self.found.groups or "findings" in self.guesser.long_form
        if self.is_reading or (self.beside.has_people and not self.has_person):
            return []
        if not has_findings and self.found.field("examiners.examiner_id") is None and len(names) < _FEWEST_OF_EXAM:
            return []
        head = []
        if self.sides:
            head += [f"each: {{side: {flow_map(dict(self.sides))}}}", f"when_any: {flow(self.when_any())}"]
        elif self.is_long:
            head += ["repeats: same"]
        elif self.is_split:
            head += ["each: {side: {R: right, L: left}}", f"when_any: {flow(self.visit()[:1])}"]
        lines = [self.exam_id(sided=True).line("exam_id"), self.person(), self.side(sided=True)]
        lines += [
            self.examiner(),
            self.needed("exams", "period"),
            self.needed("exams", "exam_day"),
            self.complaint(),
        ]
        done = {*_IDENTITY, "period", "exam_day"}
        lines += [self.field("exams", name) for name in self.contract.tables["exams"].names if name not in done]
        lines += ["days_since_onset: days_since_onset"] if self.onset_date is not None else []
        return [self._entry(head, [line for line in lines if line])]

    def _history(self) -> list[list[str]]:
        if "history" in self.guesser.long_form:
            item = self._long_codes("history", "item", self.guesser.item_of)
            columns = [self.exam_id(sided=False).line("exam_id"), item, self.needed("history", "answer")]
            return [self._entry([], columns)]
        entries = []
        for template, group in by_template(self.found.groups.get("history", ())):
            answer = coded(self.guesser, "history.answer", self.declared("history", "answer"), _columns(group), None, 1)
            columns = [
                self.exam_id(sided=_is_sided(group)).line("exam_id"),
                "item: {each: item}",
                answer.line("answer"),
            ]
            entries.append(self._entry(self._each(group, ("item", "side"), template), columns))
        return entries

    def _findings(self) -> list[list[str]]:
        if "findings" in self.guesser.long_form:
            return [self._entry([], self._long_findings())]
        entries = []
        for template, group in by_template(self.found.groups.get("findings", ())):
            entries += [self._entry([], self._with_beside(one)) for one in group if self._beside(one)]
            group = [one for one in group if not self._beside(one)]
            measured = [one for one in group if self._is_measured(one)]
            for part in (group_ for group_ in ([one for one in group if one not in measured], measured) if group_):
                columns = [self.exam_id(sided=_is_sided(part)).line("exam_id"), "maneuver: {each: maneuver}"]
                columns += self._measured() if part is measured else self._cell(part)
                entries.append(self._entry(self._each(part, ("side", "maneuver"), template), columns))
        return entries

    def _beside(self, one: Placed) -> dict[str, Column]:
        """The columns of the grade or the end point of one maneuver, such as `Lachman grade` beside `Lachman`."""
        if "side" in one.guess.spans:
            return {}
        names = {f"{fold(one.column.name)} {word}": name for word, name in _BESIDE.items()}
        return {names[fold(column.name)]: column for column in self.found.unknown if fold(column.name) in names}

    def _with_beside(self, one: Placed) -> list[str]:
        name = one.column.name
        columns = [self.exam_id(sided=False).line("exam_id"), f"maneuver: {{value: {one.guess.target}}}"]
        columns.append(finding_values(self.guesser, [one.column], name, False)["result"].line("result"))
        for field, column in self._beside(one).items():
            declared = self.declared("findings", field)
            columns.append(coded(self.guesser, f"findings.{field}", declared, [column], column.name, 1).line(field))
        return columns

    @property
    def unknown(self) -> list[str]:
        """Names of columns of which nothing is known."""
        read: list[Column | None] = [
            column for one in self.found.groups.get("findings", ()) for column in self._beside(one).values()
        ]
        read += [self._severity_beside(one) for one in self.found.groups.get("references", ())]
        return [column.name for column in self.found.unknown if column not in read]

    def _cell(self, group: Sequence[Placed]) -> list[str]:
        graded = any(self.contract.catalogue.maneuvers[one.guess.target].grades for one in group)
        return [value.line(name) for name, value in finding_values(self.guesser, _columns(group), None, graded).items()]

    def _measured(self) -> list[str]:
        step = Drafted('{steps: {"0": negative, "5": positive}}', "from which value is it positive?")
        return [step.line("result"), 'measure: "{cell}"']

    def _is_measured(self, one: Placed) -> bool:
        maneuver = self.contract.catalogue.maneuvers[one.guess.target]
        values = [value for value, _ in one.column.values]
        numeric = [value for value in values if value.replace(",", "").replace(".", "").lstrip("-").isdigit()]
        return (
            maneuver.unit is not None and not maneuver.grades and len(numeric) > 0.8 * len(values) and len(values) > 2
        )

    def _long_findings(self) -> list[str]:
        lines = [self.exam_id(sided=False).line("exam_id")]
        lines.append(self._long_codes("findings", "maneuver", self.guesser.maneuver_of))
        result = self.found.field("findings.result")
        if result is None:
            lines.append(Drafted(NOWHERE, "no column was found").line("result"))
        else:
            values = finding_values(self.guesser, [result.column], result.column.name, True)
            lines += [
                value.line(name)
                for name, value in values.items()
                if self.found.field(f"findings.{name}") is None or name == "result"
            ]
        done = {"exam_id", "maneuver", "result"}
        lines += [self.field("findings", name) for name in self.contract.tables["findings"].names if name not in done]
        return [line for line in lines if line]

    def _impressions(self) -> list[list[str]]:
        if "impressions" in self.guesser.long_form:
            condition = self._long_codes("impressions", "condition", self.guesser.condition_of)
            columns = [self.exam_id(sided=False).line("exam_id"), condition]
            columns += [self.needed("impressions", "stage"), self.needed("impressions", "probability")]
            return [self._entry([], columns)]
        entries = []
        declared = self.declared("impressions", "probability")
        for template, group in by_template(self.found.groups.get("impressions", ())):
            staged = "stage" in group[0].guess.spans
            stage = Drafted("{each: stage}") if staged else Drafted("{value: after_exam}", "before or after the exam?")
            value = coded(self.guesser, "impressions.probability", declared, _columns(group), None, 1)
            columns = [self.exam_id(sided=_is_sided(group)).line("exam_id"), "condition: {each: condition}"]
            columns += [stage.line("stage"), value.line("probability")]
            entries.append(self._entry(self._each(group, ("side", "condition", "stage"), template), columns))
        return entries

    def _references(self) -> list[list[str]]:
        if self.guesser.compound is not None:
            return [self._reports(self.guesser.compound)]
        if "references" in self.guesser.long_form:
            columns = [self._reading_id(None), self.person(), self.side(sided=False)]
            columns += [self._modality(), self._reading_day("")]
            columns.append(self._long_codes("references", "condition", self.guesser.condition_of))
            columns += [self.needed("references", "status"), *self._about_reading(("severity", "pattern"))]
            return [self._entry(self._versions(), columns)]
        entries = []
        for template, group in by_template(self.found.groups.get("references", ())):
            graded = [one for one in group if self._severity_beside(one) is not None]
            entries += [self._graded_reading(one) for one in graded]
            group = [one for one in group if one not in graded]
            if not group:
                continue
            modality = group[0].guess.modality or ""
            status = coded(
                self.guesser, "references.status", self.declared("references", "status"), _columns(group), None, 1
            )
            columns = [*self._reading(modality, sided=_is_sided(group)), "condition: {each: condition}"]
            columns.append(status.line("status"))
            columns += [severity] if (severity := severity_of(self.guesser, _columns(group))) else []
            head = [*self._each(group, ("side", "condition"), template), *self._silence(group, modality)]
            head += self._versions()
            entries.append(self._entry(head, [*columns, *self._about_reading(())]))
        return entries

    def _reading(self, modality: str, *, sided: bool) -> list[str]:
        """What tells one reading: its code, the person, the side, the test and the day."""
        lines = [self._reading_id(modality), self.person(), self.side(sided=sided), self._modality(modality)]
        return [*lines, self._reading_day(modality.replace("_", " "))]

    def _severity_beside(self, one: Placed) -> Column | None:
        """The column that holds the severity of one condition, such as `ACL type` beside `ACL`."""
        words = self.guesser.words("references.severity")
        found = (
            column
            for column in self.found.unknown
            if "side" not in one.guess.spans and fold(column.name).startswith(f"{fold(one.word('condition'))} ")
            if share_of(column, lambda value: fold(value) in words) > _MOST
        )
        return next(found, None)

    def _graded_reading(self, one: Placed) -> list[str]:
        """The entry of one condition whose severity stands in a column of its own."""
        columns = self._reading(one.guess.modality or "", sided=False)
        columns.append(f"condition: {{value: {one.guess.target}}}")
        for name, column in (("status", one.column), ("severity", self._severity_beside(one))):
            if column is not None:
                declared = self.declared("references", name)
                line = coded(self.guesser, f"references.{name}", declared, [column], column.name, 1).line(name)
                columns.append(line)
        return self._entry(self._versions(), [*columns, *self._about_reading(())])

    def _reports(self, compound: Compound) -> list[str]:
        """Whole reports, each taken in pieces that patterns read."""
        head = [f"split: {{column: {quoted_text(compound.column.name)}, by: {quoted_text(compound.by)}}}"]
        unknown = f"no condition yet for {listed_with_counts(compound.unknown)}; `~` passes over a piece"
        condition = Drafted(f"{{matches: {flow_map(compound.conditions)}}}", unknown if compound.unknown else "")
        said, unsaid = compound.said("references.status")
        doubt = f"no status yet for {listed_with_counts(unsaid)}; " if unsaid else ""
        status = Drafted(f"{{matches: {flow_map(said)}}}", f"{doubt}the first pattern that matches counts")
        columns = [self._reading_id(None), self.person(), self.side(sided=False), self._modality()]
        columns += [self._reading_day(""), condition.line("condition"), status.line("status")]
        graded, _ = compound.said("references.severity")
        columns += [f"severity: {{matches: {flow_map(graded)}, where_listed: true}}"] if graded else []
        return self._entry([*head, *self._versions()], [*columns, *self._about_reading(())])

    def _versions(self) -> list[str]:
        """How several versions of one reading are settled."""
        version = self.found.alone.get("version")
        return [] if version is None else [f"repeats: {{latest: {quoted_text(version.column.name)}}}"]

    def _modality(self, named: str = "") -> str:
        """The reference test: said by the columns, or by the name of the file."""
        if named and named != self.guesser.modality:
            return f"modality: {{value: {named}}}"
        own = "" if named else self.field("references", "modality")
        if own or self.guesser.modality is None:
            return own or self.needed("references", "modality")
        return Drafted(f"{{value: {self.guesser.modality}}}", "told by the name of the file").line("modality")

    def _reading_day(self, of: str) -> str:
        """The day of the reading; in a file of readings any day is that."""
        day = self.found.field("exams.exam_day") if self.is_reading else None
        own = self.field("references", "reference_day")
        if own or day is None:
            return own or self.needed("references", "reference_day", of)
        return f"reference_day: {quoted_text(day.column.name)}"

    def _silence(self, group: Sequence[Placed], modality: str) -> list[str]:
        """A word about blanks, where a reading names only what it found."""
        covers = self.contract.catalogue.modalities[modality].always_covers
        own = self.found.field("references.reference_id")
        readings = own.column.filled if own is not None else self.look.lines
        if not covers or min(one.column.filled for one in group) > 0.8 * readings:
            return []
        when = quoted_text(own.column.name) if own is not None else NOWHERE
        said = f"add  unlisted: {{{modality}: absent}}  and  when_any: [{when}]"
        return [f"{UNSURE} a blank makes no row; if it means absent, {said}"]

    def _about_reading(self, more: Sequence[str]) -> list[str]:
        lines = [line for name in (*more, "reader_id", "exam_known") if (line := self.field("references", name))]
        examiner = self.found.field("examiners.examiner_id")
        if self.is_reading and examiner is not None and self.found.field("references.reader_id") is None:
            lines.append(Drafted(quoted_text(examiner.column.name), "who read or operated?").line("reader_id"))
        return lines

    def _reading_id(self, modality: str | None) -> str:
        own = self.found.field("references.reference_id")
        if own is not None:
            return f"reference_id: {quoted_text(own.column.name)}"
        number = self.accession
        if number is not None:
            doubt = "holds accession numbers; deidentify replaces them, see the end"
            return Drafted(quoted_text(number.column.name), doubt).line("reference_id")
        exam = self.found.field("exams.exam_id") or self.found.field("participants.participant_id")
        short = "".join(word[0] for word in (modality or self.guesser.modality or "reading").split("_")).upper()
        if exam is None:
            return self._joined_reading(modality or "", short)
        return Drafted(
            f"{{join: [{quoted_text(exam.column.name)}, {{value: {short}}}]}}",
            "one reading for each, told by its letters",
        ).line("reference_id")

    def _joined_reading(self, modality: str, short: str) -> str:
        """A reading that no code tells: of this person, on this day, of this side, by this test."""
        person, day = self.person_column, self._day_column(modality)
        if person is None or day is None or self.sides or self.is_split:
            return Drafted(NOWHERE, "no column was found").line("reference_id")
        names = [quoted_text(person.column.name), quoted_text(day.column.name)]
        side = self._affected_codes({"left": "L", "right": "R"})
        joined = ", ".join([*names, *([side] if side else []), f"{{value: {short}}}"])
        return Drafted(f"{{join: [{joined}]}}", "no code of the reading was found").line("reference_id")

    def _day_column(self, modality: str) -> Placed | None:
        """The column of the day of a reading, also one of dates that become days."""
        own = self.found.field("references.reference_day")
        own = own or (self.found.field("exams.exam_day") if self.is_reading else None)
        return own or self.left_out("date", modality.replace("_", " "))

    def _each(self, group: Sequence[Placed], names: Sequence[str], template: str) -> list[str]:
        """The lines of `each` and `cell`; `when_any` where a line speaks of both knees is not needed for cells."""
        lines = ["each:"]
        for name in names:
            if name in group[0].guess.spans:
                lines.append(f"  {name}:")
                words: dict[str, tuple[str, float]] = {}
                for one in group:
                    words.setdefault(one.word(name), (one.guess.spans[name][2], one.guess.score))
                for word, (code, score) in words.items():
                    doubt = f"   {UNSURE} is that so?" if score < SURE and name != "side" else ""
                    lines.append(f"    {quoted_text(word)}: {code}{doubt}")
        return [*lines, f"cell: {quoted_text(template)}"]

    def _long_codes(self, table: str, name: str, of: Callable[[str], Match | None]) -> str:
        """The codes of a long column: what its values name."""
        column: Column = self.guesser.long_form[table]
        words = self.guesser.words(f"{table}.{name}")
        codes: dict[str, str | None] = {}
        unknown: dict[str, int] = {}
        seen = set()
        for value, lines in column.values:
            match = of(value)
            code = words.get(fold(value)) or (match.target if match is not None and match.score >= SURE else None)
            if code is None:
                unknown[value] = lines
            elif fold(value) not in seen:
                seen.add(fold(value))
                codes[value] = code
        doubt = f"no code yet for {listed_with_counts(unknown)}" if unknown else ""
        return Drafted(f"{{column: {quoted_text(column.name)}, codes: {flow_map(codes)}}}", doubt).line(name)


def _columns(group: Sequence[Placed]) -> list[Column]:
    return [one.column for one in group]


def _is_sided(group: Sequence[Placed]) -> bool:
    return "side" in group[0].guess.spans
