"""The analysis: from the records of a registry under a protocol to the declared result tables."""

from __future__ import annotations

import platform
from collections.abc import Callable, Collection, Mapping
from functools import cached_property
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from examtally.analytics.accuracy import accuracy_table, post_test_table
from examtally.analytics.agreement import agreement_table
from examtally.analytics.calibration import CalibrationTables, calibration_tables
from examtally.analytics.pooling.tables import PoolingTables, pooling_tables
from examtally.analytics.reference_error_tables import ReferenceErrorTables, only_erring, reference_error_tables
from examtally.analytics.scenarios import scenario_table
from examtally.analytics.verification.tables import VerificationTables, verification_tables, with_corrected
from examtally.cohort.cohort import Cohort, build_cohort
from examtally.cohort.examiners import read_examiners
from examtally.cohort.pairs import read_pairs
from examtally.cohort.scenarios import read_scenarios
from examtally.cohort.verification_frame import read_verification_frame, verification_groups
from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.protocol import Protocol, load_protocol
from examtally.contracts.results import conform
from examtally.errors import ResultsError
from examtally.registry import Registry
from examtally.results.intake_tables import (
    read_assumptions,
    read_batches,
    read_held_back,
    read_intake_checks,
    read_waiting,
)
from examtally.results.results import Provenance, Results, split_persons

Progress = Callable[[str], object]

TABLES = (
    *("cohort_summary", "flow", "tallies", "accuracy", "post_test", "calibration", "calibration_curve"),
    *("verification", "verification_bounds", "verification_models"),
    *("reference_error", "tipping"),
    *("examiner_spread", "examiner_probability"),
    *("agreement", "sensitivity_analyses"),
    *("batches", "held_back", "intake_checks", "assumptions"),
)
"""Every result table, in the order in which it is made."""

_PACKAGES = ("examtally", "duckdb", "numpy", "polars", "scikit-learn", "scipy", "statsmodels")


def analyze(
    registry: Registry,
    protocol: Protocol | Path | str | Mapping[str, Any] | None = None,
    *,
    with_examiners: bool = False,
    only: Collection[str] | None = None,
    progress: Progress | None = None,
) -> Results:
    """Analyze the records of `registry` under `protocol` (a protocol, a file, plain data, or nothing for the defaults).

    `with_examiners` keeps rows about persons; `only` names the tables wanted, and what they do not need is not done;
    `progress` is told each step as it begins. Raises ProtocolError for a protocol, ResultsError for a table that is
    not declared.
    """
    contract = load_contract()
    if not isinstance(protocol, Protocol):
        protocol = load_protocol(protocol, contract)
    wanted = _wanted(only)
    work = _Analysis(registry, contract, protocol, with_examiners=with_examiners, progress=progress)
    try:
        tables = {name: getattr(work, name) for name in wanted}
    finally:
        work.close()
    return Results(tables, _provenance(registry, protocol))


class _Analysis:
    """Each table, and each step that tables share, made once and only when asked for."""

    def __init__(
        self,
        registry: Registry,
        contract: Contract,
        protocol: Protocol,
        *,
        with_examiners: bool,
        progress: Progress | None,
    ) -> None:
        self.registry = registry
        self.contract = contract
        self.protocol = protocol
        self.with_examiners = with_examiners
        self.say = progress or (lambda _step: None)

    def close(self) -> None:
        if "cohort" in self.__dict__:
            self.cohort.close()

    @cached_property
    def cohort(self) -> Cohort:
        self.say("Choosing the exams that count")
        return build_cohort(self.registry.con, self.contract, self.protocol)

    @cached_property
    def cohort_summary(self) -> pl.DataFrame:
        cohort = self.cohort
        self.say("Describing who was studied")
        parts = [cohort.summary(), read_waiting(self.registry.con, self.contract)]
        return self._conform("cohort_summary", pl.concat(parts, how="diagonal"))

    @cached_property
    def flow(self) -> pl.DataFrame:
        cohort = self.cohort
        self.say("Following every exam to where it ends")
        return self._conform("flow", cohort.flow())

    @cached_property
    def tallies(self) -> pl.DataFrame:
        cohort = self.cohort
        self.say("Counting findings against references")
        tallies = self._conform("tallies", cohort.tallies().with_columns(_unsettled(self.contract, self.protocol)))
        return self._without_persons(tallies)

    @cached_property
    def accuracy(self) -> pl.DataFrame:
        tallies = self.tallies
        self.say("Estimating accuracy")
        naive = accuracy_table(tallies, self.cohort.role_clusters(), self.contract, self.protocol)
        corrected = with_corrected(naive, self.verifications, self.protocol)
        pooled = self._without_persons(self.poolings.accuracy)
        return self._conform("accuracy", pl.concat([corrected, pooled]))

    @cached_property
    def verification_frame(self) -> pl.DataFrame:
        cohort = self.cohort
        return read_verification_frame(cohort.con, cohort.groupings, self.contract, self.protocol)

    @cached_property
    def verifications(self) -> VerificationTables:
        frame = self.verification_frame
        self.say("Asking who was verified")
        return verification_tables(frame, verification_groups(self.cohort.groupings), self.contract, self.protocol)

    @cached_property
    def poolings(self) -> PoolingTables:
        frame = self.verification_frame
        self.say("Telling examiners apart from chance")
        return pooling_tables(frame, read_examiners(self.cohort.con), self.contract, self.protocol)

    @property
    def examiner_spread(self) -> pl.DataFrame:
        return self.poolings.spread

    @property
    def examiner_probability(self) -> pl.DataFrame:
        return self._without_persons(self.poolings.probability)

    @property
    def verification(self) -> pl.DataFrame:
        return self.verifications.verification

    @property
    def verification_bounds(self) -> pl.DataFrame:
        return self.verifications.bounds

    @property
    def verification_models(self) -> pl.DataFrame:
        return self.verifications.models

    @cached_property
    def reference_errors(self) -> ReferenceErrorTables:
        self.say("Allowing for references that err")
        with build_cohort(self.registry.con, self.contract, only_erring(self.contract, self.protocol)) as cohort:
            frame = read_verification_frame(cohort.con, cohort.groupings, self.contract, self.protocol)
        return reference_error_tables(frame, self.contract, self.protocol)

    @property
    def reference_error(self) -> pl.DataFrame:
        return self.reference_errors.reference_error

    @property
    def tipping(self) -> pl.DataFrame:
        return self.reference_errors.tipping

    @cached_property
    def post_test(self) -> pl.DataFrame:
        return post_test_table(self.accuracy, self.protocol)

    @cached_property
    def both_calibrations(self) -> CalibrationTables:
        cohort = self.cohort
        self.say("Holding stated probabilities against the truth")
        return calibration_tables(cohort.forecasts(), self.contract, self.protocol)

    @property
    def calibration(self) -> pl.DataFrame:
        return self.both_calibrations.calibration

    @property
    def calibration_curve(self) -> pl.DataFrame:
        return self.both_calibrations.curves

    @cached_property
    def agreement(self) -> pl.DataFrame:
        cohort = self.cohort
        self.say("Asking how often two examiners agree")
        pairs = read_pairs(cohort.con, self.protocol, with_examiners=self.with_examiners)
        return self._conform("agreement", agreement_table(pairs, self.contract, self.protocol))

    @cached_property
    def sensitivity_analyses(self) -> pl.DataFrame:
        main = accuracy_table(self.cohort.tallies(), None, self.contract, self.protocol)
        self.say("Asking what would change under other choices")
        scenarios = read_scenarios(self.cohort, self.registry.con, self.contract, self.protocol)
        return self._conform("sensitivity_analyses", scenario_table(scenarios, main, self.contract))

    @property
    def batches(self) -> pl.DataFrame:
        return self._conform("batches", read_batches(self.registry.con))

    @property
    def held_back(self) -> pl.DataFrame:
        return self._conform("held_back", read_held_back(self.registry.con))

    @property
    def intake_checks(self) -> pl.DataFrame:
        return self._conform("intake_checks", read_intake_checks(self.registry.con))

    @property
    def assumptions(self) -> pl.DataFrame:
        return self._conform("assumptions", read_assumptions(self.registry.con))

    def _without_persons(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The table, rows about persons only where they are asked for."""
        return frame if self.with_examiners else split_persons(frame)[0]

    def _conform(self, name: str, frame: pl.DataFrame) -> pl.DataFrame:
        return conform(name, frame, status=self.protocol.analysis_status)


def _unsettled(contract: Contract, protocol: Protocol) -> list[pl.Expr]:
    """Flag and note of the conditions that nothing settles under this protocol."""
    notes = {
        code: condition.unsettled_note or "No accepted test settles this condition."
        for code, condition in contract.catalogue.conditions.items()
        if code not in protocol.reference.accepted
    }
    is_unsettled = pl.col("condition").is_in(list(notes))
    return [
        pl.when(is_unsettled).then(pl.lit("not_settled")).alias("flag"),
        pl.col("condition").replace_strict(notes, default=None, return_dtype=pl.String).alias("note"),
    ]


def _wanted(only: Collection[str] | None) -> tuple[str, ...]:
    """The tables that are asked for, in the order in which they are made."""
    if only is None:
        return TABLES
    named = {only} if isinstance(only, str) else set(only)
    unknown = sorted(named - set(TABLES))
    if unknown or not named:
        problem = f"there is no table {', '.join(map(repr, unknown))}" if unknown else "no table is named"
        raise ResultsError(f"only: {problem}; use one or more of {', '.join(TABLES)}")
    return tuple(name for name in TABLES if name in named)


def _provenance(registry: Registry, protocol: Protocol) -> Provenance:
    return Provenance(
        registry=registry.fingerprint(),
        protocol=protocol.to_dict(),
        protocol_hash=protocol.hash,
        seed=protocol.calibration.seed,
        versions={"python": platform.python_version(), **{package: version(package) for package in _PACKAGES}},
    )
