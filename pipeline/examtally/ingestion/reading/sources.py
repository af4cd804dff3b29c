"""Which files of a batch hold which table. A file name can name a patient, so a file is spoken of by its place only.

A file holds the table its name begins with: `findings.csv`, `findings-2.csv`, `findings_march.csv.gz`,
`findings.2026-03.parquet`. Several files of one table are read as one, in the order given; a folder is read in the
order of its file names, without the folders in it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.contract import Contract
from examtally.errors import FileFault

ENDINGS = (".csv", ".csv.gz", ".parquet")
WORKBOOK = (".xlsx",)
_NUMBERS_SHOWN = 5
_OTHER_ENDINGS = (".tsv", ".txt", ".xls", ".xlsx", ".ods", ".json", ".zip", ".csv.zip", ".csv.bz2", ".csv.xz")


@dataclass(frozen=True)
class Source:
    """One record file; `file_no` counts the files of the batch from 1, `where` is how messages speak of it."""

    path: Path
    table: str
    ending: str
    file_no: int
    files: int

    @property
    def is_compressed(self) -> bool:
        """Whether it is gzipped text."""
        return self.ending == ".csv.gz"

    @property
    def where(self) -> str:
        """The place of the file, without its name."""
        return f"file {self.file_no} of {self.files} ({self.table})"


def find_sources(paths: Sequence[Path | str], contract: Contract) -> tuple[tuple[Source, ...], int]:
    """Return the record files under `paths` and how many other files in the folders were passed over.

    Raises FileFault, one line a file, for a path that is missing or a record file that no table claims.
    """
    files, passed_over, faults = _expand(paths, contract)
    sources: list[Source] = []
    nameless: list[int] = []
    for number, path in enumerate(files, start=1):
        ending, table = ending_of(path, ENDINGS), _table(path, contract)
        if ending is None:
            faults.append(
                f"file {number} of {len(files)}: its name must end in {', '.join(ENDINGS)}; save it as CSV UTF-8"
            )
        elif table is None:
            nameless.append(number)
        else:
            sources.append(Source(path, table, ending, number, len(files)))
    if nameless:
        faults.append(_of_nameless(nameless, len(files), contract))
    if not files and not faults:
        faults.append(f"no record file was given; name a folder or files such as exams.csv ({', '.join(ENDINGS)})")
    if faults:
        raise FileFault(*faults)
    return tuple(sources), passed_over


def _of_nameless(numbers: Sequence[int], files: int, contract: Contract) -> str:
    """One line for all files that no table claims, however many lie in a folder that holds something else."""
    first = ", ".join(map(str, numbers[:_NUMBERS_SHOWN])) + (" …" if len(numbers) > _NUMBERS_SHOWN else "")
    where = f"file {first} of {files}: its" if len(numbers) == 1 else f"{len(numbers)} of {files} files ({first}): each"
    return (
        f"{where} name must begin with a table: {', '.join(contract.tables)}; an export of your own needs a mapping: "
        "`examtally map draft FILE` begins one, then --mapping"
    )


def size_of(paths: Sequence[Path | str]) -> int:
    """Bytes of the files among `paths` and in the folders among them; what is missing has none."""
    given = [one for path in map(Path, paths) for one in (path.iterdir() if path.is_dir() else [path])]
    return sum(one.stat().st_size for one in given if one.is_file())


def give_workbooks(paths: Sequence[Path | str]) -> bool:
    """Whether a workbook is among `paths` or in the folders among them."""
    return any(
        ending_of(one, WORKBOOK) for path in map(Path, paths) for one in (path.iterdir() if path.is_dir() else [path])
    )


def _expand(paths: Sequence[Path | str], contract: Contract) -> tuple[list[Path], int, list[str]]:
    files: dict[Path, Path] = {}
    faults, passed_over = [], 0
    for place, path in enumerate(map(Path, paths), start=1):
        if path.is_dir():
            inside, odd = entries_of(path, f"path {place} of {len(paths)}")
            faults += odd
            records = [entry for entry in inside if _is_record_file(entry, contract)]
            passed_over += len(inside) - len(records)
            files.update({entry.resolve(): entry for entry in records})
        elif path.is_file():
            files[path.resolve()] = path
        else:
            faults.append(f"path {place} of {len(paths)}: {no_file(path)}")
    return list(files.values()), passed_over, faults


def entries_of(folder: Path, where: str) -> tuple[list[Path], list[str]]:
    """Return the files in a folder by name, hidden ones left out, and a fault where other things lie among them."""
    entries = sorted(entry for entry in folder.iterdir() if not entry.name.startswith("."))
    odd = [entry for entry in entries if entry.is_symlink() or not (entry.is_file() or entry.is_dir())]
    words = f"{where}: holds {len(odd)} links, pipes or devices; put the files themselves there, or take these out"
    return [entry for entry in entries if entry.is_file()], [words] if odd else []


def no_file(path: Path) -> str:
    """Say why a path that was given is neither a file nor a folder."""
    return "is a pipe or a device; name a file" if path.exists() else "there is no such file or folder"


def _is_record_file(path: Path, contract: Contract) -> bool:
    """A file of a folder that holds records, or by its name means to: neither is passed over in silence."""
    if ending_of(path, ENDINGS) is not None:
        return True
    return ending_of(path, _OTHER_ENDINGS) is not None and _table(path, contract) is not None


def ending_of(path: Path, endings: Sequence[str]) -> str | None:
    """Return the first of `endings` in which the name of the file ends, None where it ends in none."""
    return next((ending for ending in endings if path.name.lower().endswith(ending)), None)


def _table(path: Path, contract: Contract) -> str | None:
    first = re.split(r"[^a-z]", path.name.lower(), maxsplit=1)[0]
    return first if first in contract.tables else None
