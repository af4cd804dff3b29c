"""Which names a chance in a scenario may depend on, moment by moment: nothing depends on what comes later."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.tables import Field

COMPLAINT_NUMBERS = ("trauma", "comparison", "second_complaint")


@dataclass(frozen=True)
class Vocabulary:
    """The names known at each moment, each set holding the ones before it."""

    contract: Contract
    families: tuple[str, ...]
    sites: tuple[str, ...]

    def enum(self, table: str, column: str) -> tuple[str, ...]:
        """The legal set of a coded column of the records."""
        return self.contract.tables[table].field(column).enum or ()

    def age(self) -> tuple[str, ...]:
        """A person before anything but age, site and constitution is known."""
        return (
            "decades_over_40",
            *dotted("age_band", self._bands("age_band")),
            *dotted("site", self.sites),
            *dotted("person", self.families),
        )

    def person(self) -> tuple[str, ...]:
        """Everything about a person."""
        return (
            *self.age(),
            "bmi",
            *dotted("sex", self.enum("participants", "sex")),
            *dotted("activity", self.enum("participants", "activity")),
            *dotted("bmi_band", self._bands("bmi_band")),
            *(name for group in self.contract.catalogue.banded for name in dotted(group, self._bands(group))),
        )

    def complaint(self) -> tuple[str, ...]:
        """And what they came with."""
        return (
            *self.person(),
            *COMPLAINT_NUMBERS,
            *dotted("mechanism", self.contract.catalogue.mechanisms),
            *dotted("acuity", self._bands("acuity")),
        )

    def truth(self, severities: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
        """And which conditions are truly there; `severities` of those named so far in the scenario."""
        derived = [code for code, item in self.contract.catalogue.conditions.items() if item.derived_from]
        ready = [
            code for code in derived if set(self.contract.catalogue.conditions[code].derived_from) <= {*severities}
        ]
        return (
            *self.complaint(),
            *severities,
            *ready,
            *(name for code, codes in severities.items() for name in dotted(code, codes)),
        )

    def visit(self, severities: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
        """And the visit."""
        return (*self.truth(severities), "repeat_visit", *dotted("setting", self.enum("exams", "setting")))

    def hands(self, severities: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
        """And whose hands."""
        return (
            *self.visit(severities),
            "second_hands",
            "both_sides",
            *dotted("role", self.enum("examiners", "role")),
            *dotted("guarding", self.enum("exams", "guarding")),
        )

    def exam(self, severities: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
        """And what they note of the joint alone."""
        own = [one for one in self._own("exams") if one.enum is not None]
        return (*self.hands(severities), *(name for one in own for name in dotted(one.name, one.enum or ())))

    def findings(self, severities: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
        """And what the person told and the hands found."""
        return (
            *self.exam(severities),
            *dotted("history", self.contract.catalogue.history),
            *dotted("finding", self.contract.catalogue.maneuvers),
        )

    def moments(self, severities: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        """The names known at each moment that `Known` speaks of."""
        age, person, exam = self.age(), self.person(), self.exam(severities)
        sex = (*age, *dotted("sex", self.enum("participants", "sex")))
        activity = (*sex, *dotted("activity", self.enum("participants", "activity")))
        second = (*person, "second_complaint")
        mechanism = (*second, *dotted("mechanism", self.contract.catalogue.mechanisms), "trauma")
        truth = self.truth(severities)
        return {
            **{"age": age, "sex": sex, "activity": activity, "bmi": (*activity, "bmi"), "person": person},
            **{"second_complaint": second, "mechanism": mechanism, "truth": truth},
            **{"repeat_visit": (*truth, "repeat_visit"), "visit": self.visit(severities)},
            **{"hands": self.hands(severities), "exam": exam, "positive": (*exam, "positive")},
            **{"driver": (*exam, "driver"), "grade": (*exam, "driver", "grade")},
            "reference": self.findings(severities),
        }

    def _own(self, table: str) -> list[Field]:
        """The columns that only this joint has."""
        names = [node.at("name").text() for node in self.contract.catalogue.columns.get(table, ())]
        return [self.contract.tables[table].field(name) for name in names]

    def _bands(self, group_by: str) -> tuple[str, ...]:
        return self._protocol.groups.bands(group_by).codes

    @cached_property
    def _protocol(self) -> Protocol:
        return Protocol.defaults(self.contract)


def dotted(head: str, codes: Iterable[str]) -> tuple[str, ...]:
    """`head.code` for each code."""
    return tuple(f"{head}.{code}" for code in codes)
