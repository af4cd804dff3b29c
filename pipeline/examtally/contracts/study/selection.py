"""What a study asks of the cohort, as a file says it: filters, rules of index tests, target, reference, blinding."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.checks import Fault, check_code, check_integer, check_list, check_number, check_text, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    Anything,
    Code,
    Default,
    Distinct,
    Maybe,
    Number,
    Text,
    Title,
    Whole,
)
from examtally.contracts.protocol.analysis_set import Window
from examtally.contracts.records.pseudonym import load_pseudonym_rule
from examtally.contracts.records.tables import Field
from examtally.contracts.study.parts import Filter, Leaf, Value

ROW_OF = {"history": "item", "findings": "maneuver", "impressions": "condition", "references": "condition"}
"""Tables with several rows an exam, and the column that tells them apart."""
FORMS = ("maneuver", "any_of", "all_of", "test")
_OF_MANEUVER = ("result", "sign", "pain", "grade_at_least", "measure_at_least", "measure_at_most", "end_point")
_LISTS = ("one_of", "not_one_of")
_ORDERED = ("at_least", "at_most", "between")
_WITHOUT_VALUE = ("recorded", "not_recorded")
_MOST_VALUES = 50
Sentence: TypeAlias = Annotated[str, Text(longest=1000)]
Measured: TypeAlias = Annotated[float, Number(-1000, 1000)]
Comparison: TypeAlias = Annotated[
    str,
    Code(
        "a comparison",
        {
            "equals": "is this value",
            "not_equals": "is another value",
            "one_of": "is one of these values",
            "not_one_of": "is none of these values",
            "at_least": "is this number or more",
            "at_most": "is this number or less",
            "between": "lies between two numbers, both included",
            "recorded": "is filled in",
            "not_recorded": "is blank, or its row is missing",
        },
    ),
]
Stage: TypeAlias = Annotated[
    str, Code("a stage", {"after_history": "before the «noun» was touched", "after_exam": "after the exam"})
]
Blank: TypeAlias = Annotated[str, Code("an answer", {"out": "the exam is left out", "in": "the exam stays in"})]
Result: TypeAlias = Annotated[
    str, Code("a result", {"positive": "positive", "negative": "negative", "equivocal": "equivocal"})
]
Pain: TypeAlias = Annotated[str, Code("an answer", {"yes": "it did", "no": "it did not"})]
EndPoint: TypeAlias = Annotated[str, Code("an end point", {"firm": "firm", "soft": "soft", "absent": "absent"})]
Indeterminate: TypeAlias = Annotated[
    str,
    Code(
        "an answer",
        {
            "excluded": "left out and counted, and part of the bounds",
            "present": "the condition is present",
            "absent": "the condition is absent",
        },
    ),
]
ExaminerBlinding: TypeAlias = Annotated[
    str,
    Code(
        "an answer",
        {
            "known_excluded": "exams whose examiner knew a reference result are left out; unknown stays in",
            "any": "all exams",
        },
    ),
]
ReaderBlinding: TypeAlias = Annotated[
    str,
    Code(
        "an answer",
        {"blinded_only": "only readings whose reader is recorded not to have known the exam", "any": "all readings"},
    ),
]


@dataclass(frozen=True)
class FilterEntry(Section):
    """One filter of the population: a declared column, a comparison and a value."""

    column: Annotated[str, Text()]
    """A declared column, as table.column: exams.thigh_cm, participants.age_years, history.answer."""
    is_: Comparison
    """The comparison."""
    value: Maybe[Annotated[Any, Anything()]] = None
    """The value, or the list of values, that the column is compared with; checked against the column's legal set."""
    of: Maybe[Annotated[str, Text()]] = None
    """For history, findings, impressions and references: the item, maneuver or condition whose row is meant."""
    stage: Annotated[Maybe[Stage], Default("after_history")] = None
    """For impressions: at which stage it was stated."""
    blank: Blank = "out"
    """What becomes of an exam where the column is blank or the row is missing."""

    def faults(self, contract: Contract) -> Iterator[Fault]:
        yield from _first_fault(lambda: self.resolved(contract))

    def resolved(self, contract: Contract) -> Filter:
        """The filter, held to the column that it names; raises Fault."""
        field, table = _column(self.column, contract)
        of = self._row(table, contract)
        if table != "impressions" and self.stage is not None:
            raise Fault("belongs to impressions only", "remove it", "stage")
        return Filter(
            table=table,
            column=field.name,
            comparison=self.is_,
            values=self._values(field),
            of=of,
            stage=(self.stage or "after_history") if table == "impressions" else None,
            keeps_blank=self.blank == "in",
        )

    def _row(self, table: str, contract: Contract) -> str | None:
        if table not in ROW_OF:
            if self.of is not None:
                raise Fault(f"an exam has one row of {table}", "remove it", "of")
            return None
        if self.of is None:
            raise Fault(f"does not say which row of {table} it means", f"add `of` with {ROW_OF[table]}")
        legal = contract.tables[table].field(ROW_OF[table]).enum or ()
        return check_code(self.of, f"a legal {ROW_OF[table]}", legal, "of")

    def _values(self, field: Field) -> tuple[Value, ...]:
        if self.is_ in _WITHOUT_VALUE:
            if self.value is not None:
                raise Fault(f"`is: {self.is_}` takes no value", "remove it", "value")
            return ()
        if self.value is None:
            raise Fault("'value' is missing", "add the value to compare with")
        if self.is_ in _ORDERED and not _has_order(field):
            mend = f"use one of equals, not_equals, {', '.join(_LISTS)}"
            raise Fault(f"{field.name} has no order", mend, "is")
        if self.is_ not in (*_LISTS, "between"):
            return (_value(self.value, field, "value"),)
        items = check_list(self.value, "value")
        values = tuple(_value(one, field, "value", index) for index, one in enumerate(items))
        if self.is_ == "between" and (len(values) != 2 or _is_after(*values)):
            raise Fault("is not a lower and an upper value", "write [low, high]", "value")
        if not 1 <= len(values) <= _MOST_VALUES:
            raise Fault(f"holds {len(values)} values", f"write 1 to {_MOST_VALUES}", "value")
        return values


@dataclass(frozen=True)
class RuleEntry(Section):
    """When an index test is positive: one finding, some or all of several rules, or another test."""

    maneuver: Maybe[Annotated[str, Code("a maneuver of the catalogue", "maneuvers")]] = None
    """A maneuver of the catalogue. All keys beside it must hold; without any, the finding is positive as recorded."""
    result: Maybe[Distinct[Result]] = None
    """List of results that count as positive."""
    sign: Maybe[Distinct[Annotated[str, Text()]]] = None
    """List of signs that make it positive; a negative finding has none."""
    pain: Maybe[Pain] = None
    """Whether it reproduced the patient's pain."""
    grade_at_least: Maybe[Annotated[int, Whole()]] = None
    """Lowest grade that is positive; a negative finding without a grade lies below."""
    measure_at_least: Maybe[Measured] = None
    """Lowest measured value that is positive, in the catalogue's unit."""
    measure_at_most: Maybe[Measured] = None
    """Highest measured value that is positive, in the catalogue's unit."""
    end_point: Maybe[Distinct[EndPoint]] = None
    """List of end points that are positive."""
    any_of: Maybe[tuple[RuleEntry, ...]] = None
    """List of rules: positive if one is, negative if all are."""
    all_of: Maybe[tuple[RuleEntry, ...]] = None
    """List of rules: positive if all are, negative if one is."""
    test: Maybe[Annotated[str, Text()]] = None
    """Another index test of this protocol, in place of its rule. Rules that come back to themselves are refused."""

    @property
    def form(self) -> str:
        """Which of FORMS it has."""
        return next(form for form in FORMS if getattr(self, form) is not None)

    def faults(self, contract: Contract) -> Iterator[Fault]:
        forms = [form for form in FORMS if getattr(self, form) is not None]
        if len(forms) != 1:
            problem = f"has {' and '.join(forms)}" if forms else "says nothing"
            yield Fault(problem, f"write exactly one of {', '.join(FORMS)}")
            return
        beside = [name for name in _OF_MANEUVER if getattr(self, name) is not None]
        if self.maneuver is None:
            yield from (
                Fault("belongs beside a maneuver", "move it into a rule with `maneuver`", name) for name in beside[:1]
            )
        else:
            yield from self._odd_parts(contract.catalogue.maneuvers[self.maneuver])

    def leaf(self) -> Leaf:
        """The finding of a rule that names a maneuver; positive as recorded where nothing is said of it."""
        parts: dict[str, Any] = {name: getattr(self, name) for name in _OF_MANEUVER}
        if all(part is None for part in parts.values()):
            parts["result"] = ("positive",)
        return Leaf(maneuver=self.maneuver or "", **parts)

    def _odd_parts(self, maneuver: Maneuver) -> Iterator[Fault]:
        """Parts of a finding that are empty, or that this maneuver has not."""
        code = maneuver.code
        if maneuver.purpose == "safety":
            mend = "use a diagnostic maneuver"
            yield Fault("is a safety check, recorded and never scored", mend, "maneuver")
        for name in ("result", "sign", "end_point"):
            if getattr(self, name) == ():
                yield Fault("is empty", "name at least one, or remove the key", name)
        for index, sign in enumerate(self.sign or ()):
            if sign not in maneuver.signs:
                yield Fault(f"'{sign}' is not a sign of {code}", nearest(sign, maneuver.signs), "sign", index)
        if self.grade_at_least is not None:
            grades = maneuver.grades
            if not grades:
                yield Fault(f"{code} has no grades", "use another part of the finding", "grade_at_least")
            else:
                low, high = min(grades), max(grades)
                yield from _first_fault(lambda: check_integer(self.grade_at_least, low, high, "grade_at_least"))
        for name in ("measure_at_least", "measure_at_most"):
            if getattr(self, name) is not None and maneuver.unit is None:
                yield Fault(f"{code} has no measured value", "use another part of the finding", name)


@dataclass(frozen=True, kw_only=True)
class TestEntry(Section):
    """One index test under a code of its own."""

    title: Maybe[Annotated[str, Title(longest=80)]] = None
    """Name of the test in text and tables."""
    rule: RuleEntry
    """When it is positive; see rule."""


@dataclass(frozen=True)
class ReferenceEntry(Section):
    """The reference standard of the target condition."""

    standard: Maybe[Distinct[Annotated[str, Code("a modality", "modalities")]]] = None
    """List of modalities that settle the condition, most authoritative first; those of the catalogue where left out."""
    window_days: Maybe[Window] = None
    """[first, last] day after the exam on which a reference counts; that of the catalogue where left out."""
    indeterminate: Indeterminate = "excluded"
    """What an indeterminate reference counts as."""


@dataclass(frozen=True)
class BlindingEntry(Section):
    """Who may have known what."""

    examiner: ExaminerBlinding = "known_excluded"
    """Whether an examiner may have known a reference result."""
    reader: ReaderBlinding = "any"
    """Whether a reader of the reference may have known the exam."""
    between_tests: Maybe[Sentence] = None
    """One sentence: how the index tests of one exam were kept from influencing each other, or that they were not."""


def _first_fault(check: Callable[[], object]) -> Iterator[Fault]:
    try:
        check()
    except Fault as fault:
        yield fault


def _column(name: str, contract: Contract) -> tuple[Field, str]:
    columns = {
        f"{table.name}.{field.name}": (field, table.name)
        for table in contract.tables.values()
        for field in table.fields
    }
    if name not in columns:
        table = name.split(".", 1)[0]
        near = [one for one in columns if one.startswith(f"{table}.")] or [f"{one}.…" for one in contract.tables]
        raise Fault("is not a declared column", f"write table.column; {nearest(name, near)}", "column")
    return columns[name]


def _has_order(field: Field) -> bool:
    return field.type != "string" or (field.pattern is not None and not field.is_pseudonym)


def _is_after(low: Value, high: Value) -> bool:
    return str(low) > str(high) if isinstance(low, str) or isinstance(high, str) else low > high


def _value(value: Any, field: Field, *at: str | int) -> Value:
    if field.type == "integer":
        low, high = (None if one is None else int(one) for one in (field.minimum, field.maximum))
        return check_integer(value, low, high, *at)
    if field.type == "number":
        return check_number(value, field.minimum, field.maximum, *at)
    if field.enum is not None:
        return check_code(value, f"a legal {field.name}", field.enum, *at)
    text = check_text(value, None, *at).upper() if field.is_pseudonym else check_text(value, None, *at)
    pattern = load_pseudonym_rule().pattern if field.is_pseudonym else field.pattern
    if not re.fullmatch(pattern or ".*", text):
        raise Fault(f"is not a legal {field.name}", f"write {field.pattern_words or 'a coded identifier'}", *at)
    return text
