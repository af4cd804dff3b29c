"""The analysis: from the records of a registry under a protocol to the declared result tables."""

from __future__ import annotations

import platform
from collections.abc import Callable, Collection, Mapping
from importlib.metadata import version
from pathlib import Path
from types import MappingProxyType
from typing import Any

import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, result_codes
from examtally.errors import ResultsError
from examtally.registry import Registry
from examtally.results.results import Provenance, Results
from examtally.results.settings import settings_for
from examtally.results.steps import accuracy as counting
from examtally.results.steps import accuracy as estimating
from examtally.results.steps import calibration_and_agreement as judging
from examtally.results.steps import changes as changing
from examtally.results.steps import comparisons as comparing
from examtally.results.steps import diagnostic_models as modelling
from examtally.results.steps import imperfect_reference, leading, learning
from examtally.results.steps import indicators as monitoring
from examtally.results.steps import indicators as receiving
from examtally.results.work import Progress, Work

_STEPS: tuple[Callable[[Work], pl.DataFrame], ...] = (
    *(counting.cohort_summary, counting.flow, counting.tallies),
    *(estimating.accuracy, estimating.post_test),
    *(leading.leading, leading.reference_posterior, leading.bias_models),
    *(judging.calibration, judging.calibration_curve),
    *(estimating.verification, estimating.verification_bounds, estimating.verification_models),
    *(
        imperfect_reference.reference_error,
        imperfect_reference.tipping,
        imperfect_reference.reference_accuracy,
        imperfect_reference.latent_class,
    ),
    *(estimating.examiner_spread, estimating.examiner_probability),
    *(judging.agreement, learning.learning, estimating.sensitivity_analyses),
    *(comparing.comparisons, comparing.interactions, comparing.roc, comparing.auc, comparing.level_ratios),
    *(modelling.combinations, modelling.dependence, modelling.patterns),
    *(modelling.diagnostic_models, modelling.model_terms, modelling.added_value),
    *(modelling.short_exam, modelling.decision_curve),
    *(monitoring.indicators, changing.changes, changing.change_context, changing.drift, changing.drift_events),
    *(receiving.batches, receiving.held_back, receiving.intake_checks, receiving.assumptions),
)
_SPOKEN = ("note", "reason", "value", "source", "label")
_TABLES = {step.__name__: step for step in _STEPS}

TABLES = tuple(_TABLES)
"""Every result table, in the order in which it is made."""

_COUNTED = ("duckdb", "polars")
_DISTRIBUTIONS = (*_COUNTED, "numpy", "scipy")
_INTERVALS = (*_DISTRIBUTIONS, "statsmodels")
_MODELS = (*_DISTRIBUTIONS, "scikit-learn")
_ALL = (*_MODELS, "statsmodels")

MADE_WITH: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        **dict.fromkeys(("cohort_summary", "flow", "tallies", "assumptions"), _COUNTED),
        **dict.fromkeys(("batches", "held_back", "intake_checks"), _COUNTED),
        **dict.fromkeys(
            ("learning", "leading", "reference_posterior", "bias_models", "dependence", "indicators"), _DISTRIBUTIONS
        ),
        **dict.fromkeys(("changes", "change_context", "drift", "drift_events"), _DISTRIBUTIONS),
        **dict.fromkeys(("agreement", "sensitivity_analyses", "combinations"), _INTERVALS),
        **dict.fromkeys(("examiner_spread", "examiner_probability"), _MODELS),
        **dict.fromkeys(("reference_accuracy", "patterns", "diagnostic_models", "model_terms"), _MODELS),
        **dict.fromkeys(("added_value", "short_exam", "decision_curve"), _MODELS),
        **dict.fromkeys(
            ("accuracy", "post_test", "comparisons", "interactions", "calibration", "calibration_curve"), _ALL
        ),
        **dict.fromkeys(("verification", "verification_bounds", "verification_models"), _ALL),
        **dict.fromkeys(("reference_error", "tipping", "latent_class", "roc", "auc", "level_ratios"), _ALL),
    }
)
"""The packages whose code makes each table, by what its step reaches; a test reads that from the source."""


def analyze(
    registry: Registry,
    protocol: Protocol | Path | str | Mapping[str, Any] | None = None,
    *,
    with_examiners: bool = False,
    only: Collection[str] | None = None,
    adjustments: Collection[str] | None = None,
    progress: Progress | None = None,
) -> Results:
    """Analyze the records of `registry` under `protocol` (a protocol, a file, plain data, or nothing for the defaults).

    A protocol that names no joint speaks of the only one of the registry.
    `with_examiners` keeps rows about persons; `only` names the tables wanted and `adjustments` the corrections wanted
    in accuracy and comparisons, and what they do not need is not done; `progress` is told each step as it begins.
    Raises ProtocolError for a protocol, ResultsError for a table or a correction that is not declared.

        with et.open_registry("registry.duckdb") as registry:
            results = et.analyze(registry, {"calibration": {"seed": 7}}, only=["accuracy", "flow"])
    """
    protocol, contract = settings_for(registry.con, protocol)
    wanted = _wanted("table", only, TABLES)
    chosen = None if adjustments is None else _wanted("correction", adjustments, tuple(result_codes()["adjustment"]))
    work = Work(registry, contract, protocol, with_examiners=with_examiners, progress=progress, adjustments=chosen)
    try:
        return Results(make_tables(work, wanted), provenance(registry, protocol, wanted, contract))
    finally:
        work.close()


def make_tables(work: Work, wanted: Collection[str]) -> dict[str, pl.DataFrame]:
    """Make these tables of an analysis under way, in the order in which they are made."""
    return {name: _said(work, name, work.once(_TABLES[name])) for name in TABLES if name in wanted}


def _said(work: Work, name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """A finished table: in the words of its joint, and with the joint's own codes in the order of its catalogue."""
    catalogue = work.contract.catalogue
    texts = [column for column, kind in frame.schema.items() if kind == pl.String and column in _SPOKEN]
    spoken = frame.with_columns(pl.col(texts).map_elements(catalogue.noun.said, return_dtype=pl.String))
    return conform(name, spoken, own=catalogue.own_codes)


def _wanted(what: str, asked: Collection[str] | None, legal: tuple[str, ...]) -> tuple[str, ...]:
    """What is asked for of what there is, in its order; all of it where nothing is said."""
    if asked is None:
        return legal
    named = {asked} if isinstance(asked, str) else set(asked)
    unknown = sorted(named - set(legal))
    if unknown or not named:
        problem = f"there is no {what} {', '.join(map(repr, unknown))}" if unknown else f"no {what} is named"
        option = {"table": "only", "correction": "adjustments"}[what]
        raise ResultsError(f"{option}: {problem}; use one or more of {', '.join(legal)}")
    return tuple(name for name in legal if name in named)


def provenance(registry: Registry, protocol: Protocol, tables: Collection[str], contract: Contract) -> Provenance:
    """Return what these tables of this registry under this protocol are made from, and with which packages."""
    packages = ("examtally", *sorted({package for table in tables for package in MADE_WITH.get(table, _COUNTED)}))
    return Provenance(
        registry=registry.fingerprint(),
        protocol=protocol.to_dict(),
        protocol_hash=protocol.hash,
        seed=protocol.calibration.seed,
        versions={"python": platform.python_version(), **{package: version(package) for package in packages}},
        catalogue={name: getattr(contract.catalogue, name) for name in ("joint", "hash", "local")},
    )
