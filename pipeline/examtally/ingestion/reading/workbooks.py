"""A workbook is an input like any other: by the names of its sheets it is ours to fill in, or holds a table a sheet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from examtally.contracts.catalogue.catalogue import joints
from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import ExportMapping
from examtally.errors import FileFault
from examtally.ingestion.reading.limits import TextError
from examtally.ingestion.reading.sheet import first_rows, holds_rows, sheet_names, subject_of
from examtally.ingestion.reading.sources import ENDINGS, WORKBOOK, ending_of
from examtally.workbook.layout import pages
from examtally.workbook.mapping import HEADER_ROW, workbook_mapping

_LOCK = "~$"  # what a spreadsheet program leaves beside a workbook that is open


def find_workbooks(paths: Sequence[Path | str], contract: Contract) -> tuple[Path, ...]:
    """Return the workbooks under `paths`; one in a folder counts where its sheets bear our names."""
    found = []
    for path in map(Path, paths):
        if path.is_dir():
            inside = sorted(one for one in path.iterdir() if one.is_file() and not one.name.startswith((".", _LOCK)))
            found += [one for one in inside if ending_of(one, WORKBOOK) and _named(one, contract)]
        elif path.is_file() and ending_of(path, WORKBOOK):
            found.append(path)
    return tuple(found)


def joint_of_workbooks(paths: Sequence[Path | str]) -> str | None:
    """Return the joint that the workbooks among `paths` say they are of, None where they say none or several."""
    books = [Path(path) for path in paths if ending_of(Path(path), WORKBOOK) and Path(path).is_file()]
    try:
        found = {subject_of(book) for book in books}
    except TextError:
        return None  # what is wrong with it is said when it is read
    (joint,) = found if len(found) == 1 else (None,)
    return joint if joint in joints() else None


def mapping_of_workbooks(
    paths: Sequence[Path | str], contract: Contract
) -> tuple[ExportMapping | None, Sequence[Path | str]]:
    """Return the built-in mapping that reads the workbooks among `paths`, and what to read; None where there are none.

    Raises FileFault, one line, for a workbook that cannot be read as one of ours.
    """
    books = find_workbooks(paths, contract)
    if not books:
        return None, paths
    if any(_holds_records(Path(path)) for path in paths):
        raise FileFault("a workbook and other record files were given together; send them one after the other")
    headings: dict[str, tuple[str, ...]] = {}
    for number, book in enumerate(books, start=1):
        where = f"workbook {number} of {len(books)}"
        try:
            own = _headings(book, contract)
        except TextError as fault:
            raise FileFault(f"{where} {fault}") from None
        if not own:
            raise FileFault(f"{where}: {_nothing(book, contract)}")
        if headings and own != headings:
            raise FileFault(f"{where} has other sheets or columns in use than the first; send it by itself")
        headings = own
    others = [path for path in map(Path, paths) if not path.is_dir() and path not in books]
    return workbook_mapping(contract, headings), [*books, *others]


def _holds_records(path: Path) -> bool:
    files = path.iterdir() if path.is_dir() else [path]
    return any(ending_of(one, ENDINGS) is not None for one in files if not one.name.startswith("."))


def _named(book: Path, contract: Contract) -> tuple[str, ...]:
    """The sheets of a workbook that we know: our own pages, or else those named after tables."""
    try:
        names = sheet_names(book)
    except TextError:
        return ()
    ours = tuple(page.form.sheet for page in pages(contract) if page.form.sheet in names)
    return ours or tuple(name for name in contract.tables if name in names)


def _headings(book: Path, contract: Contract) -> dict[str, tuple[str, ...]]:
    """The headings of every sheet of ours that holds a row; a page left empty was not sent."""
    sheet_names(book)
    row = _header_row(contract)
    found = {}
    for name in _named(book, contract):
        at = row.get(name, 1)
        if holds_rows(book, name, at):
            found[name] = tuple(cell or "" for cell in first_rows(book, name, at)[-1])
    return found


def _header_row(contract: Contract) -> dict[str, int]:
    return {page.form.sheet: HEADER_ROW for page in pages(contract)}


def _nothing(book: Path, contract: Contract) -> str:
    if _named(book, contract):
        return "no sheet holds a row yet; fill in a row, the first below the headings"
    ours = ", ".join(page.form.sheet for page in pages(contract))
    tables = ", ".join(contract.tables)
    return (
        f"no sheet has a name that is read ({ours}, or those of the tables {tables}); rename the sheets, or give a "
        "mapping file with --mapping"
    )
