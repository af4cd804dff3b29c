"""Readings of an agreement day from CSV files to one checked frame: all of them or none.

They are checked by the rules of the record tables and stay outside the registry: see `schemas/agreement/readings.yaml`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import duckdb
import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.records.tables import Table
from examtally.errors import FileFault
from examtally.workbook.agreement_form import readings_rules, readings_table

_MOST_BYTES = 16 << 20
_MOST_FAULTS = 20
_TYPES = {"string": pl.String(), "integer": pl.Int64(), "number": pl.Float64()}


def read_readings(paths: Sequence[Path], contract: Contract) -> pl.DataFrame:
    """Read the files of one day, a row a reading, columns as declared; blank cells are null, identifiers upper-cased.

    A line that stands twice alike counts once. Raises FileFault: a line for each fault (file, line, column, legal set,
    mend; never a value), for the first 20 of them; nothing is read then.
    """
    table = readings_table(contract)
    files = sorted({inner for path in paths for inner in _files(path)})
    if not files:
        raise FileFault("no CSV file of readings is named; name the files or the folder that holds them")
    read = pl.concat([_read(path, table) for path in files])
    faults = [*_broken(read, contract), *_contradicting(read, table)]
    if faults:
        more = [f"{len(faults) - _MOST_FAULTS} more lines are at fault"] if len(faults) > _MOST_FAULTS else []
        raise FileFault(*faults[:_MOST_FAULTS], *more)
    typed = read.select(pl.col(field.name).cast(_TYPES[field.type]) for field in table.fields)
    return typed.unique().sort(table.primary_key)


def _files(path: Path) -> Iterator[Path]:
    """A file, or the CSV files of a folder."""
    if not path.exists():
        raise FileFault(f"{path.name}: there is no such file; name the CSV files of the day or their folder")
    yield from sorted(path.glob("*.csv")) if path.is_dir() else [path]


def _read(path: Path, table: Table) -> pl.DataFrame:
    """One file as text with the name of the file and the line."""
    if path.stat().st_size > _MOST_BYTES:
        raise FileFault(f"{path.name}: holds more than {_MOST_BYTES >> 20} MB; an agreement day is smaller")
    try:
        text = path.read_bytes().decode("utf-8-sig").encode()
        frame = pl.read_csv(text, infer_schema=False, raise_if_empty=True)
    except (pl.exceptions.PolarsError, OSError, UnicodeError):
        raise FileFault(f"{path.name}: is not a CSV file in UTF-8 with one heading; save it again as such") from None
    strange = [name for name in frame.columns if name not in table.names]
    missing = [field.name for field in table.fields if field.required and field.name not in frame.columns]
    if strange or missing:
        problem = f"{len(strange)} columns are not known" if strange else f"lacks {', '.join(missing)}"
        raise FileFault(f"{path.name}: {problem}; the columns are {', '.join(table.names)}")
    blank = [pl.lit(None, pl.String).alias(name) for name in table.names if name not in frame.columns]
    whole = frame.with_columns(blank).select(pl.col(table.names).str.strip_chars().replace("", None))
    upper = [pl.col(field.name).str.to_uppercase() for field in table.fields if field.is_pseudonym]
    return whole.with_columns(*upper, pl.lit(path.name).alias("file"), pl.int_range(2, pl.len() + 2).alias("line"))


def _broken(read: pl.DataFrame, contract: Contract) -> list[str]:
    """A line for each reading that breaks a rule of its columns."""
    found = []
    with duckdb.connect() as connection:
        connection.register("readings", read.to_arrow())
        for rule in readings_rules(contract):
            lines = connection.execute(
                f"select file, line from readings where not ({rule.sql}) order by all"
            ).fetchall()
            found += [f"{file}, line {line}, {rule.column}: not {rule.legal}; {rule.mend}" for file, line in lines]
    return found


def _contradicting(read: pl.DataFrame, table: Table) -> list[str]:
    """A line for each reading that stands twice and differs."""
    key = list(table.primary_key)
    twice = read.unique(list(table.names), keep="first", maintain_order=True).filter(pl.struct(key).is_duplicated())
    return [
        f"{file}, line {line}: the same {' + '.join(key)} stands twice and differs; keep the line that is right"
        for file, line in twice.select("file", "line").sort("file", "line").iter_rows()
    ]
