"""Sources of a first mapping for FHIR files: the resources that are there, and the declared paths that are filled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import duckdb

from examtally.contracts.mapping.fhir import FhirColumn, Step, fhir_shapes, read_path
from examtally.contracts.mapping.mapping import ExportSource, FhirSource
from examtally.contracts.records.rules import literal
from examtally.ingestion.drafting.yaml_text import flow, quoted_text
from examtally.ingestion.mapping.fhir_text import read_fhir, resource_types


def fhir_sources(
    con: duckdb.DuckDBPyConnection, path: Path, ending: str, number: int, pattern: str
) -> Iterator[ExportSource]:
    """Yield a source for each type of resource in a file that a mapping may read; raises TextError."""
    plain = ExportSource("", pattern, None, (1, 1), "utf-8", ",", False, (), ())
    for name in resource_types(con, path, ending):
        if name in fhir_shapes().drafts:
            columns = tuple(
                FhirColumn(column, tuple(map(read_path, paths))) for column, paths in fhir_shapes().drafts[name].items()
            )
            own = name.lower() if number == 1 else f"{name.lower()}_{number}"
            source = replace(plain, name=own, ignore=("*",), fhir=FhirSource(name, columns))
            yield _filled(con, path, ending, source)


def _filled(con: duckdb.DuckDBPyConnection, path: Path, ending: str, source: ExportSource) -> ExportSource:
    """The source with the columns that some resource fills, and the elements that are left under `ignore`."""
    assert source.fhir is not None
    table = read_fhir(con, path, ending, source, 0).table
    counts = ", ".join(f"count(c{at})" for at in range(1, len(source.fhir.columns) + 1))
    (filled,) = con.execute(f"select {counts} from {table}").fetchall()
    con.execute(f"drop table {table}")
    kept = tuple(column for column, count in zip(source.fhir.columns, filled, strict=True) if count)
    read = {steps[0].name for column in kept for steps in column.paths}
    elements = con.execute(
        f"select distinct unnest(elements) as element from fhir_kinds where type = {literal(source.fhir.resource)} "
        "order by element"
    ).fetchall()
    left = tuple(name for (name,) in elements if name not in read and name not in fhir_shapes().quiet)
    return replace(source, ignore=left, fhir=replace(source.fhir, columns=kept))


def fhir_lines(source: FhirSource) -> list[str]:
    """Return the lines of a mapping file that declare the resources of a source."""
    lines = ["    fhir:", f"      resource: {source.resource}", "      columns:"]
    for column in source.columns:
        paths = [_text(steps) for steps in column.paths]
        said = quoted_text(paths[0]) if len(paths) == 1 else flow(paths)
        lines.append(f"        {quoted_text(column.name)}: {said}")
    return lines


def tells_of_withdrawal(source: ExportSource) -> bool:
    """Whether the resources of a source are read for who has withdrawn, and for nothing else."""
    return source.fhir is not None and source.fhir.resource in fhir_shapes().withdrawn


def withdrawn_lines(sources: Sequence[ExportSource]) -> list[str]:
    """Return the lines of a mapping file that say which resources tell of withdrawals."""
    lines = []
    for source in filter(tells_of_withdrawal, sources):
        assert source.fhir is not None
        words = flow(fhir_shapes().withdrawn[source.fhir.resource])
        lines.append(f"  - {{from: {source.name}, participant: patient, when: status, equals: {words}}}")
    return ["withdrawn:", *lines] if lines else []


def _text(steps: tuple[Step, ...]) -> str:
    chosen = (f".where({step.where}='{step.text}')" if step.where else "" for step in steps)
    return ".".join(f"{step.name}{where}" for step, where in zip(steps, chosen, strict=True))
