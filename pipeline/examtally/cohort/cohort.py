"""From records to the analysis set, and everything that is counted from it."""

from __future__ import annotations

from dataclasses import dataclass
from types import TracebackType
from typing import Self

import polars as pl

from examtally.cohort.cells import write_cells
from examtally.cohort.conditions import all_bits, condition_rules, write_rules
from examtally.cohort.entered_after_reference import write_used
from examtally.cohort.exams import recent, write_indexed, write_keys, write_periods
from examtally.cohort.flow import read_flow
from examtally.cohort.forecasts import read_forecasts
from examtally.cohort.groupings import Grouping, groupings, write_labels
from examtally.cohort.selection import settle_indeterminate, write_selection
from examtally.cohort.standard import write_standard
from examtally.cohort.summary import read_summary
from examtally.cohort.tallies import read_tallies, role_clusters, write_repeats
from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine
from examtally.contracts.study.parts import Selection

_NEEDED = ("overall", "examiner")  # each examiner's first exam of an episode is always told


def build_cohort(
    con: Engine,
    contract: Contract,
    protocol: Protocol,
    selection: Selection | None = None,
    *,
    overall_only: bool = False,
) -> Cohort:
    """Apply `protocol` to the records in the catalog `reg` of `con` and return the cohort.

    `selection` is what a study asks; `contract` is then that of the study, which has its index tests as maneuvers.
    With `overall_only` exams are grouped by nothing but their examiner: enough for the overall tallies, in less time.

    Reads every record once. The records are left alone; the cohort's tables are temporary and belong to a connection
    of its own on the same database, so that several cohorts can stand side by side.
    """
    own = con.cursor()
    rules = condition_rules(contract, protocol)
    groups = groupings(contract, protocol)
    if overall_only:
        groups = tuple(grouping for grouping in groups if grouping.name in _NEEDED)
    write_used(own, contract.catalogue.joint)
    chosen = write_selection(own, selection)
    write_rules(own, contract, rules)
    write_labels(own, groups)
    write_periods(own)
    last = protocol.eligibility.last_periods
    settled = [rule for rule in rules if rule.window]
    core = [rule for rule in settled if contract.catalogue.conditions[rule.code].core]
    write_keys(own, groups, f"({chosen}) and {recent(last, all_bits(core or settled))}")
    write_indexed(own, protocol, all_bits(rules), contract.catalogue.surgery)
    write_standard(own, rules)
    settle_indeterminate(own, selection, {rule.code: rule.bit for rule in rules})
    write_cells(own, protocol.equivocal)
    write_repeats(own, groups)
    learners = protocol.comparisons.grouped("role", protocol.agreement.learners)
    is_part = selection is not None or last > 0
    return Cohort(own, groups, all_bits(rules), contract.catalogue, learners, selection, is_part)


@dataclass(frozen=True)
class Cohort:
    """The analysis set of one registry under one protocol.

    `con` holds it as temporary tables, declared in the module `tables`. Frames for further methods are
    queries of these. Close it, or use it in a `with` block, before the registry is closed.
    """

    con: Engine
    groupings: tuple[Grouping, ...]
    every_bit: int
    catalogue: Catalogue
    learners: tuple[str, ...] = ()
    selection: Selection | None = None
    is_part: bool = False

    def tallies(self) -> pl.DataFrame:
        """Return the tallies of every public grouping; see `read_tallies`."""
        return read_tallies(self.con, (grouping for grouping in self.groupings if grouping.public))

    def role_clusters(self) -> pl.DataFrame:
        """Return the cluster sums by role over examiners; see the module `roles`."""
        return role_clusters(
            read_tallies(self.con, (grouping for grouping in self.groupings if grouping.name == "role_examiner"))
        )

    def flow(self) -> pl.DataFrame:
        """Return every exam once under its first reason, for each condition and maneuver; see `read_flow`."""
        return read_flow(self.con, self.every_bit, has_population=self.is_part)

    def summary(self) -> pl.DataFrame:
        """Return who was studied: item, group, value, note; see `read_summary`."""
        return read_summary(self.con, self.catalogue, self.learners)

    def forecasts(self) -> pl.DataFrame:
        """Return stated probabilities with their outcomes; see `read_forecasts`."""
        return read_forecasts(self.con)

    def close(self) -> None:
        """Drop the temporary tables and let go of the registry."""
        self.con.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
