"""The blueprint of a teaching set: how many cases of what kind, and the seed that draws them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Faults, Section, read_section
from examtally.contracts.kinds import SEED, Between, Code, Distinct, Number, Seed, Whole
from examtally.contracts.yamlfile import Found, load_yaml
from examtally.errors import ProtocolError


@dataclass(frozen=True)
class Blueprint(Section):
    """What a teaching set is made of. Cases are drawn by what they are, never by who was wrong about them."""

    cases: Annotated[int, Whole(4, 60)] = 16
    """Cases, spread evenly over the conditions."""
    conditions: Distinct[Annotated[str, Code("a condition", "conditions")]] = ()
    """Conditions that are asked about; the core conditions where left out."""
    share_present: Annotated[float, Number(0, 1)] = 0.5
    """Share of cases with the condition."""
    share_hard: Annotated[float, Number(0, 1)] = 0.4
    """Share of cases in which the first finding points away from the answer, or the findings disagree."""
    most_findings: Annotated[int, Whole(1, 8)] = 4
    """At most so many findings of a case are shown; fewer where fewer than 11 people look alike otherwise."""
    confirmed: Annotated[float, Between(0.5, 1)] = 0.95
    """Without surgery a case is confirmed from this chance of the condition on, or of its absence."""
    seed: Seed = SEED
    """Gives the same cases again."""


def load_blueprint(path: Path | None, contract: Contract) -> Blueprint:
    """Read a blueprint, or the default where there is no file; raises ProtocolError, a line for each fault."""
    if path is None:
        return Blueprint()
    found: list[Found] = []
    faults = Faults(load_yaml(path, ProtocolError, found), found)
    given = read_section(Blueprint, faults, contract)
    faults.stop()
    assert given is not None  # without faults there was something to read
    return given
