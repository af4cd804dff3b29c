"""One result table on disk, as Parquet and as CSV: the same frame gives the same bytes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import polars.selectors as cs

from examtally.contracts.results import result_tables
from examtally.errors import ResultsError

FORMS = ("parquet", "csv")
_DIGITS = 12


@dataclass(frozen=True)
class TableFile:
    """What the manifest says of one table: its rows and the sha256 of each of its files."""

    rows: int
    sha256: dict[str, str]


def write_table(folder: Path, name: str, frame: pl.DataFrame) -> TableFile:
    """Write `frame` as `name`.parquet and `name`.csv.

    In CSV a number has 12 significant digits, a whole number no point, and a missing value is an empty field.
    """
    frame = frame.rechunk()
    frame.write_parquet(folder / f"{name}.parquet", compression="zstd", statistics=False)
    frame.with_columns(cs.float().map_batches(_digits, return_dtype=pl.String)).write_csv(folder / f"{name}.csv")
    return TableFile(frame.height, {form: file_sha256(folder / f"{name}.{form}") for form in FORMS})


def read_table(folder: Path, name: str, said: TableFile) -> pl.DataFrame:
    """Read the table `name`; raises ResultsError where its files are not those the manifest speaks of."""
    for form in FORMS:
        path = folder / f"{name}.{form}"
        if not path.is_file() or file_sha256(path) != said.sha256.get(form):
            raise ResultsError(f"{path.name} is missing or was changed after the analysis; run the analysis again")
    frame = pl.read_parquet(folder / f"{name}.parquet")
    if dict(frame.schema) != result_tables()[name].schema or frame.height != said.rows:
        raise ResultsError(f"{name}.parquet has other columns than declared; run the analysis again with this version")
    return frame


def _digits(values: pl.Series) -> pl.Series:
    texts = [None if value is None else format(value, f".{_DIGITS}g") for value in values]
    return pl.Series(values.name, texts, dtype=pl.String)


def file_sha256(path: Path) -> str:
    """The sha256 of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
