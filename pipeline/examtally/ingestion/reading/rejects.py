"""Lines that the CSV reader could not part into the cells of the header: any of them stops the batch."""

from __future__ import annotations

from pathlib import Path

import duckdb

from examtally.errors import FileFault
from examtally.ingestion.reading.lines import line_at
from examtally.registry.workspace import have_rows

_REJECTED = {
    "TOO MANY COLUMNS": "more cells than the header; put a cell with a {sign} in quotation marks",
    "MISSING COLUMNS": "fewer cells than the header; add the missing {sign}s",
    "LINE SIZE OVER MAXIMUM": "more text than a record can have; look for an open quotation mark above it",
}
_SIGNS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_NOT_CSV = "text that is not CSV; save it again as CSV UTF-8"


def check_rejects(
    con: duckdb.DuckDBPyConnection,
    table: str,
    where: str,
    path: Path,
    *,
    compressed: bool,
    delimiter: str = ",",
    above: int = 0,
) -> None:
    """Raise FileFault where the reader listed lines in `table`: a shifted line may pass every other check.

    `above` lines of the file stand above those at `path`.
    """
    if not any(have_rows(con, [table])):
        return
    found = con.execute(
        "select error_type, count(distinct line_byte_position) as lines, min(line_byte_position) as first "
        f"from {table} group by error_type order by first"
    ).fetchall()
    raise FileFault(
        *(
            f"{where} has {count} line{'s' * (count > 1)} with "
            f"{_REJECTED.get(kind, _NOT_CSV).format(sign=_SIGNS.get(delimiter, 'sign that parts cells'))} "
            f"(first: line {above + line_at(path, first - 1, compressed=compressed)})"
            for kind, count, first in found
        )
    )
