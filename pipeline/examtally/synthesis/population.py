"""What every part of a draw shares: the scenario, the contract it is written for, and the random streams."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.synthesis.chance import Streams
from examtally.synthesis.features import Array, Coded
from examtally.synthesis.scenario import Scenario


@dataclass(frozen=True)
class DrawContext:
    """One clinic to be drawn. `people` is how many come."""

    scenario: Scenario
    contract: Contract
    streams: Streams
    people: int

    def random(self, purpose: str) -> np.random.Generator:
        """The random stream of one purpose."""
        return self.streams.of(purpose)

    def banded(self, group_by: str, values: Array) -> Coded:
        """Numbers cut into the bands of the default protocol."""
        bands = self._protocol.groups.bands(group_by)
        return Coded(bands.codes, np.searchsorted(bands.starts, values, side="right"))

    def within(self, table: str, column: str, values: Array) -> Array:
        """Numbers rounded to whole ones and kept within the declared range of a column."""
        field = self.contract.tables[table].field(column)
        return np.clip(np.rint(values), field.minimum, field.maximum)

    @cached_property
    def _protocol(self) -> Protocol:
        return Protocol.defaults(self.contract)
