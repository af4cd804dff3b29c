"""The analysis: from the records of a registry under a protocol to the declared result tables."""

from __future__ import annotations

import platform
from collections.abc import Callable, Collection, Mapping
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from types import MappingProxyType
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Noun
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Records
from examtally.contracts.results import conform, result_codes
from examtally.errors import ResultsError
from examtally.processes import one_thread
from examtally.results.results import Provenance, Results
from examtally.results.settings import settings_for
from examtally.results.work import Progress, Work

_COUNTED = ("duckdb", "polars")
_DISTRIBUTIONS = (*_COUNTED, "numpy", "scipy")
_INTERVALS = (*_DISTRIBUTIONS, "statsmodels")
_MODELS = (*_DISTRIBUTIONS, "scikit-learn")
_ALL = (*_MODELS, "statsmodels")

_STEPS: tuple[tuple[tuple[str, ...], str, tuple[str, ...]], ...] = (
    (_COUNTED, "accuracy", ("cohort_summary", "flow", "tallies")),
    (_ALL, "accuracy", ("accuracy", "post_test")),
    (_DISTRIBUTIONS, "leading", ("leading", "reference_posterior", "bias_models")),
    (_ALL, "calibration_and_agreement", ("calibration", "calibration_curve")),
    (_MODELS, "corrections", ("verification", "verification_bounds", "verification_models")),
    (_MODELS, "imperfect_reference", ("reference_error", "tipping", "reference_accuracy", "latent_class")),
    (_MODELS, "corrections", ("examiner_spread", "examiner_probability")),
    (_DISTRIBUTIONS, "calibration_and_agreement", ("agreement",)),
    (_DISTRIBUTIONS, "learning", ("learning",)),
    (_INTERVALS, "accuracy", ("sensitivity_analyses",)),
    (_ALL, "comparisons", ("comparisons",)),
    (_MODELS, "comparisons", ("interactions",)),
    (_ALL, "comparisons", ("roc", "auc", "level_ratios")),
    (_INTERVALS, "diagnostic_models", ("combinations",)),
    (_DISTRIBUTIONS, "diagnostic_models", ("dependence",)),
    (_MODELS, "diagnostic_models", ("patterns", "diagnostic_models", "model_terms")),
    (_MODELS, "diagnostic_models", ("added_value", "short_exam", "decision_curve")),
    (_DISTRIBUTIONS, "indicators", ("indicators",)),
    (_DISTRIBUTIONS, "changes", ("changes", "change_context", "drift", "drift_events")),
    (_COUNTED, "indicators", ("batches", "held_back", "intake_checks", "assumptions")),
)
"""Packages behind tables, the module of `steps` and the tables that it makes by steps of that name."""
_OWN_STATUS = ("changes",)  # an intervention says for itself whether it was declared beforehand
_SPOKEN = ("note", "reason", "value", "source", "label")
_MODULES = {table: module for _, module, tables in _STEPS for table in tables}

TABLES = tuple(_MODULES)
"""Every result table, in the order in which it is made."""

MADE_WITH: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {table: packages for packages, _, tables in _STEPS for table in tables}
)
"""The packages whose code makes each table, by what its step reaches; a test reads that from the source."""


def analyze(
    registry: Records,
    protocol: Protocol | Path | str | Mapping[str, Any] | None = None,
    *,
    with_examiners: bool = False,
    only: Collection[str] | None = None,
    adjustments: Collection[str] | None = None,
    progress: Progress | None = None,
) -> Results:
    """Analyze the records of `registry` under `protocol` (a protocol, a file, plain data, or nothing for the defaults).

    `registry` is an open registry, or a table set opened in Spark.
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
    return {name: _made(work, name, step_of(name)) for name in TABLES if name in wanted}


def _made(work: Work, name: str, step: Callable[[Work], pl.DataFrame]) -> pl.DataFrame:
    """One table, its modules loaded by now with their libraries of linear algebra."""
    with one_thread():
        return _said(work, name, work.once(step))


def step_of(table: str) -> Callable[[Work], pl.DataFrame]:
    """The step that makes a table; not before is its module loaded, and with it the packages that the table needs."""
    step: Callable[[Work], pl.DataFrame] = getattr(import_module(f"examtally.results.steps.{_MODULES[table]}"), table)
    return step


def _said(work: Work, name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """A finished table: with the status of its protocol, in the words and the order of codes of its joint."""
    catalogue = work.contract.catalogue
    texts = [column for column, kind in frame.schema.items() if kind == pl.String and column in _SPOKEN]
    said = frame.with_columns(_of_the_joint(frame[column], catalogue.noun) for column in texts)
    if name not in _OWN_STATUS:
        said = said.with_columns(status=pl.lit(work.protocol.analysis_status))
    return conform(name, said, own=catalogue.own_codes)


def _of_the_joint(texts: pl.Series, noun: Noun) -> pl.Series:
    """Texts in the words of a joint; most are one of few, or have no mark."""
    marked = texts.unique().drop_nulls()
    marked = marked.filter(marked.str.contains("«", literal=True))
    return texts.replace(marked, [noun.said(text) for text in marked]) if len(marked) else texts


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


def provenance(registry: Records, protocol: Protocol, tables: Collection[str], contract: Contract) -> Provenance:
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
