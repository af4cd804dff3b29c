"""What a study protocol says, part by part, as frozen objects with every reference resolved."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, TypeAlias

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import Code, Distinct, Text

Value: TypeAlias = str | int | float
OtherSeverity: TypeAlias = Annotated[
    str, Code("an answer", {"absent": "condition absent", "excluded": "indeterminate, left out and counted"})
]


@dataclass(frozen=True)
class Filter:
    """An exam stays where the value of a declared column compares as `comparison` says with `values`.

    `of` picks the row of a table with several rows an exam (an item, maneuver or condition), `stage` that of an
    impression; both None elsewhere. `keeps_blank` says what becomes of an exam without the value.
    """

    table: str
    column: str
    comparison: str
    values: tuple[Value, ...]
    of: str | None
    stage: str | None
    keeps_blank: bool

    @property
    def name(self) -> str:
        """The column as it is written."""
        return f"{self.table}.{self.column}" + (f" of {self.of}" if self.of else "")


@dataclass(frozen=True)
class Leaf:
    """A finding of one maneuver that is positive where every given part holds; None where a part is not asked."""

    maneuver: str
    result: tuple[str, ...] | None
    sign: tuple[str, ...] | None
    pain: str | None
    grade_at_least: int | None
    measure_at_least: float | None
    measure_at_most: float | None
    end_point: tuple[str, ...] | None


@dataclass(frozen=True)
class Either:
    """Positive if one of the parts is; negative if all are."""

    parts: tuple[Rule, ...]


@dataclass(frozen=True)
class Every:
    """Positive if all of the parts are; negative if one is."""

    parts: tuple[Rule, ...]


Rule: TypeAlias = Leaf | Either | Every


def leaves(rule: Rule) -> tuple[Leaf, ...]:
    """Every finding a rule looks at, in the order it is written."""
    return (rule,) if isinstance(rule, Leaf) else tuple(leaf for part in rule.parts for leaf in leaves(part))


@dataclass(frozen=True)
class IndexTest:
    """One index test of the study under its own code; references to other tests are already resolved."""

    code: str
    title: str
    rule: Rule


@dataclass(frozen=True)
class Target(Section):
    """The target condition; `severity` is empty where every severity counts as present."""

    condition: Annotated[str, Code("a condition of the catalogue", "conditions")]
    """A condition of the catalogue."""
    severity: Distinct[Annotated[str, Text()]] = ()
    """List of severities that count as present; all where left out."""
    other_severity: OtherSeverity = "absent"
    """What a condition of another severity counts as. Without a recorded severity it is indeterminate."""

    def faults(self, contract: Contract) -> Iterator[Fault]:
        legal = [one.code for one in contract.catalogue.conditions[self.condition].severity]
        if self.severity and not legal:
            yield Fault(f"{self.condition} has no severities", "remove it", "severity")
            return
        for index, severity in enumerate(self.severity):
            if severity not in legal:
                problem = f"'{severity}' is not a severity of {self.condition}"
                yield Fault(problem, nearest(severity, legal), "severity", index)


@dataclass(frozen=True)
class Selection:
    """What a study asks of the cohort: who is in it, what its tests are and what counts as the condition.

    `outcomes_dealt_anew`: a rehearsal, in which answers are dealt to other people, so that no result can be seen.
    """

    population: tuple[Filter, ...]
    tests: tuple[IndexTest, ...]
    target: Target | None
    indeterminate: str
    outcomes_dealt_anew: bool = False


@dataclass(frozen=True)
class Change:
    """A dated intervention: the first period after it, and the roles and sites that it reached; none is everybody."""

    since: str
    roles: tuple[str, ...]
    sites: tuple[str, ...]


@dataclass(frozen=True)
class StudyAnalysis:
    """One declared analysis; `group_by` is None where it is not asked by group, `change` where none is looked for."""

    name: str
    kind: str
    tests: tuple[str, ...]
    measures: tuple[str, ...]
    statistics: tuple[str, ...]
    group_by: str | None
    pairs_of: str
    change: Change | None = None


@dataclass(frozen=True)
class PlannedSize:
    """What the size is computed for; every number as written, None where it is not stated."""

    knees: int | None
    aim: str | None
    test: str | None
    measure: str
    power: float
    numbers: Mapping[str, float]
