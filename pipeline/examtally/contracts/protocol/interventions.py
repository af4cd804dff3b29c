"""What was done to change the exam: declared interventions, each with what it should change and what it should not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Faults, Section, read_section
from examtally.contracts.kinds import Between, Checked, Code, Distinct, Name, Text, Title, Whole, one_of
from examtally.contracts.periods import PERIOD, place_of
from examtally.contracts.yamlfile import Found, load_yaml
from examtally.errors import ProtocolError

TITLE = "Interventions"
_LONGEST = 80


@dataclass(frozen=True, kw_only=True)
class Aimed(Section):
    """One measure of one maneuver for one condition."""

    condition: Annotated[str, Code("a condition", "conditions")]
    """The condition."""
    maneuver: Annotated[str, Code("a maneuver", "maneuvers")]
    """A maneuver that speaks of it."""
    measure: Annotated[str, one_of(sensitivity="«nouns» with the condition", specificity="«nouns» without it")]
    """What should change, or should not."""

    def faults(self, contract: Contract) -> Iterator[Fault]:
        own = [maneuver for condition, maneuver in contract.catalogue.pairs if condition == self.condition]
        if self.maneuver not in own:
            yield Fault(
                f"'{self.maneuver}' is not a maneuver for {self.condition}", nearest(self.maneuver, own), "maneuver"
            )


@dataclass(frozen=True)
class Reached(Section):
    """Whom it reached; everybody where nothing is said. An examiner is reached by any of the three."""

    roles: Distinct[Annotated[str, Code("a role", "examiners.role")]] = ()
    """Everybody with one of these roles."""
    sites: Distinct[Annotated[str, Text()]] = ()
    """Everybody at one of these sites, by their codes."""
    examiners: Distinct[Annotated[str, Text()]] = ()
    """These examiners, by their codes."""

    @property
    def is_everybody(self) -> bool:
        """Whether nobody was left out."""
        return not (self.roles or self.sites or self.examiners)


@dataclass(frozen=True, kw_only=True)
class Intervention(Section):
    """One dated intervention."""

    code: Annotated[str, Name("a code")]
    """A short code for it."""
    title: Annotated[str, Title(longest=_LONGEST)]
    """What it was, in a few words of a sentence."""
    kind: Annotated[
        str, one_of(teaching="teaching", standard="a new standard", scanner="a new scanner", other="something else")
    ]
    """What kind."""
    period: Annotated[str, Text(PERIOD)]
    """The first period after it."""
    declared: Annotated[str, Text(PERIOD)] | None = None
    """The period in which this was written down; only one before `period` makes its rows prespecified."""
    reached: Reached = field(default_factory=Reached)
    """Whom it reached."""
    should_change: tuple[Aimed, ...]
    """What it should change."""
    should_not_change: tuple[Aimed, ...] = ()
    """What it should leave as it was: changes there cast doubt on the others."""
    left_out_periods: Annotated[int, Whole(0, 12)] = 0
    """Periods from `period` on that count neither as before nor as after."""
    margin: Annotated[float, Between(0, 1)] = 0.1
    """A difference that lies within this of 0, limits and all, is called about the same."""

    @property
    def targets(self) -> tuple[Aimed, ...]:
        """Everything that is looked at."""
        return (*self.should_change, *self.should_not_change)

    @property
    def is_prespecified(self) -> bool:
        """Whether it was written down before it took place."""
        return self.declared is not None and place_of(self.declared) < place_of(self.period)

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if not self.should_change:
            yield Fault("names nothing", "name at least one measure, or leave the intervention out", "should_change")
        for index, target in enumerate(self.targets):
            if target in self.targets[:index]:
                yield Fault(f"{target.maneuver} and {target.measure} stand twice", "keep them once")
        if self.declared is not None and self.declared.startswith("P") != self.period.startswith("P"):
            yield Fault("is of another kind of period", "write both as months or both as ordinals", "declared")


def _one_each(interventions: tuple[Intervention, ...], _contract: Contract) -> Iterator[Fault]:
    codes = [one.code for one in interventions]
    for index, code in enumerate(codes):
        if code in codes[:index]:
            yield Fault(f"the code '{code}' stands twice", "give each intervention its own", index, "code")


Interventions = Annotated[tuple[Intervention, ...], Checked(_one_each)]


@dataclass(frozen=True)
class InterventionsFile(Section):
    """The interventions of a group, declared before they take place where that can be."""

    interventions: Interventions = ()
    """Every intervention."""


def load_interventions(path: Path, contract: Contract) -> tuple[Intervention, ...]:
    """Read an interventions file; raises ProtocolError for all that is not legal, a line for each fault."""
    found: list[Found] = []
    faults = Faults(load_yaml(path, ProtocolError, found), found)
    given = read_section(InterventionsFile, faults, contract)
    faults.stop()
    assert given is not None  # without faults there was something to read
    return given.interventions
