"""Commands for groups without an export: the workbook to fill in and the paper sheet for the bedside."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer()


@app.command()
def workbook(
    out: Annotated[Path, typer.Option("--out", help="Workbook to write, .xlsx.")] = Path("records.xlsx"),
    as_tables: Annotated[
        bool, typer.Option("--tables", help="A sheet for each record table instead of one row a knee.")
    ] = False,
) -> None:
    """Write an empty workbook with drop-downs for groups without an export; `check` and `ingest` take it as it is."""
    from examtally.contracts.contract import load_contract
    from examtally.workbook.book import write_workbook

    sheets = write_workbook(out, load_contract(), as_tables=as_tables)
    print(f"{out}: fill in {', '.join(sheets)}; the first sheet says how.")
    print(f"Then: examtally check {out}, and examtally ingest {out} --registry REGISTRY")


@app.command()
def sheet(
    out: Annotated[Path, typer.Option("--out", help="PDF to write.")] = Path("sheet.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
) -> None:
    """Write the one-page exam sheet that the workbook is typed from: look, feel, move, special."""
    from examtally.contracts.contract import load_contract
    from examtally.reporting.exam_sheet import write_sheet

    print(write_sheet(out, load_contract(), paper=paper).resolve())
