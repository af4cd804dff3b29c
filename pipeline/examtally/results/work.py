"""One analysis under way: what it works on, and the steps that several tables share, each done once."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any, TypeVar

import polars as pl

from examtally.cohort.cohort import Cohort, build_cohort
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Records
from examtally.contracts.results import conform
from examtally.contracts.study.parts import Selection
from examtally.results.results import split_persons

Progress = Callable[[str], object]
T = TypeVar("T")


class Work:
    """The registry, contract and protocol of one analysis, with what has been made so far.

    A step is a function of the work. `once` runs it the first time and remembers what it gave; a table is a step that
    gives a frame of its declared form. `say` tells the user which step begins.
    """

    def __init__(
        self,
        registry: Records,
        contract: Contract,
        protocol: Protocol,
        *,
        with_examiners: bool,
        progress: Progress | None,
        selection: Selection | None = None,
        adjustments: Collection[str] | None = None,
    ) -> None:
        self.registry = registry
        self.contract = contract
        self.protocol = protocol
        self.with_examiners = with_examiners
        self.selection = selection
        self._adjustments = adjustments
        self.say = progress or (lambda _step: None)
        self._made: dict[Callable[[Work], Any], Any] = {}

    def once(self, step: Callable[[Work], T]) -> T:
        """What a step gives, done at most once."""
        if step not in self._made:
            self._made[step] = step(self)
        made: T = self._made[step]
        return made

    def know(self, step: Callable[[Work], T], made: T) -> None:
        """Take what a step gave in an analysis of the same records under the same protocol."""
        self._made[step] = made

    def wants(self, *adjustments: str) -> bool:
        """Whether figures of accuracy under any of these corrections are asked for; all are where none is named."""
        return self._adjustments is None or not set(adjustments).isdisjoint(self._adjustments)

    @property
    def wants_corrections(self) -> bool:
        """Whether anything is asked for beyond what was seen in those whose answer is known."""
        return self._adjustments is None or bool({*self._adjustments} - {"none"})

    @property
    def cohort(self) -> Cohort:
        """The analysis set, its temporary tables made."""
        return self.once(_cohort)

    @property
    def verification_frame(self) -> pl.DataFrame:
        """One row per exam and condition x maneuver, verified or not, with what may have driven verification."""
        return self.once(_verification_frame)

    def conform(self, name: str, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame in the declared form of table `name`."""
        return conform(name, frame, own=self.contract.catalogue.own_codes)

    def without_persons(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The table, rows about persons only where they are asked for."""
        return frame if self.with_examiners else split_persons(frame)[0]

    def close(self) -> None:
        """Drop the temporary tables."""
        if _cohort in self._made:
            self.cohort.close()


def _cohort(work: Work) -> Cohort:
    work.say("Choosing the exams that count")
    return build_cohort(work.registry.con, work.contract, work.protocol, work.selection)


def _verification_frame(work: Work) -> pl.DataFrame:
    cohort = work.cohort
    return read_verification_frame(cohort.con, cohort.groupings, work.contract, work.protocol)
