"""Commands that make figures: the analysis, and the cases it contradicts."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from examtally.cli import output, output_registry
from examtally.cli.options import Catalogue, Joint, Json, Memory, Operator, Protocol, Registry, Wait, listed, lock_wait
from examtally.cli.stopping import entries_of, files_at, tell
from examtally.errors import EngineError, RegistryError

if TYPE_CHECKING:
    from examtally.contracts.records.engine import Records


class EngineName(Enum):
    """What runs the queries of records."""

    duckdb = "duckdb"
    spark = "spark"


def analyze(
    registry: Annotated[
        Path | None, typer.Option("--registry", help="The registry, one DuckDB file.", show_default=False)
    ] = None,
    *,
    out: Annotated[Path, typer.Option("--out", help="Results folder to write.", show_default=False)],
    protocol: Protocol = None,
    joint: Joint = None,
    catalogue: Catalogue = None,
    with_examiners: Annotated[
        bool, typer.Option("--with-examiners", help="Also write rows about persons, to OUT/examiners/ (mode 0700).")
    ] = False,
    only: Annotated[
        str | None, typer.Option("--only", help="Comma-separated result tables, such as accuracy,flow.")
    ] = None,
    adjustments: Annotated[
        str | None,
        typer.Option("--adjustments", help="Comma-separated corrections of accuracy, such as none,bias_adjusted."),
    ] = None,
    last_periods: Annotated[
        int | None,
        typer.Option(
            "--last-periods",
            min=0,
            max=1200,
            help="Only so many of the newest periods whose results are in; 0 takes all.",
            show_default=False,
        ),
    ] = None,
    interventions: Annotated[
        Path | None,
        typer.Option(
            "--interventions",
            help="YAML with what was done to change the exam; see `examtally guide teaching`.",
            show_default=False,
        ),
    ] = None,
    engine: Annotated[
        EngineName, typer.Option("--engine", help="What runs the queries of records; see `examtally guide spark`.")
    ] = EngineName.duckdb,
    records: Annotated[
        Path | None,
        typer.Option("--records", help="For Spark: the tables that `ingest --to` wrote.", show_default=False),
    ] = None,
    spark_master: Annotated[
        str | None,
        typer.Option("--spark-master", help="Where Spark runs: local[2], spark://host:7077 …", show_default=False),
    ] = None,
    wait: Wait = 0,
    memory: Memory = None,  # noqa: ARG001  (its callback takes it)
    as_json: Json = False,
) -> None:
    """Estimate everything from the registry (opened read-only) and write the results folder."""
    from dataclasses import replace

    from examtally.contracts.protocol.interventions import load_interventions
    from examtally.results import analyze as estimate
    from examtally.results.folder import check_replaceable
    from examtally.results.settings import settings_for

    check_replaceable(out)
    tables = listed(only) if only is not None else None
    corrections = listed(adjustments) if adjustments is not None else None
    with output.progress(files_at(out)) as say, _opened(engine, registry, records, spark_master, wait) as opened:
        settings, contract = settings_for(opened.con, protocol, joint=joint, catalogue=catalogue)
        if last_periods is not None:
            settings = replace(settings, eligibility=replace(settings.eligibility, last_periods=last_periods))
        if interventions is not None:
            settings = replace(settings, interventions=load_interventions(interventions, contract))
        results = estimate(
            opened, settings, with_examiners=with_examiners, only=tables, adjustments=corrections, progress=say
        )
        results.write(out)
    output.show_results(results, out, as_json=as_json)


@contextmanager
def _opened(
    engine: EngineName, registry: Path | None, records: Path | None, master: str | None, wait: float
) -> Iterator[Records]:
    """What is analyzed: a registry, or its tables in Spark."""
    if engine is EngineName.spark:
        from examtally.spark.records import open_records

        if records is None:
            raise EngineError("--engine spark reads tables; name them with --records, or write them: ingest --to")
        with open_records(records, master=master) as tables:
            yield tables
        return
    from examtally.registry import open_registry

    if records is not None or master is not None:
        raise EngineError("--records and --spark-master are for --engine spark; DuckDB reads a registry")
    if registry is None:
        raise RegistryError("name the registry with --registry")
    with open_registry(registry, lock_wait=lock_wait(wait)) as opened:
        yield opened


def review(
    registry: Registry,
    examiner: Annotated[
        str | None, typer.Option("--examiner", help="Coded identifier of one examiner.", show_default=False)
    ] = None,
    period: Annotated[str | None, typer.Option("--period", help="One reporting period.", show_default=False)] = None,
    protocol: Protocol = None,
    joint: Joint = None,
    operator: Operator = None,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """List exam codes whose core finding or stated probability the reference contradicted, missed conditions first.

    For looking at the case again, together and without blame; a contradicted finding is not always a wrong one. Each
    opening stands in the registry's log. Never part of a release.
    """
    from examtally.results.review import review as open_cases

    tell(entries_of(registry))
    found = open_cases(
        registry,
        protocol,
        joint=joint,
        examiner=examiner,
        period=period,
        operator=operator,
        lock_wait=lock_wait(wait),
    )
    output_registry.show_review(found, as_json=as_json)
