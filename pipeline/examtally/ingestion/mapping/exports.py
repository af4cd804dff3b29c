"""Which files of a batch are which source of a mapping. A file is spoken of by its place and source, not its name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.mapping.mapping import ExportMapping, ExportSource
from examtally.errors import FileFault
from examtally.ingestion.reading.sources import ending_of, entries_of, no_file

TEXT_ENDINGS = (".csv", ".csv.gz", ".txt", ".tsv")
FHIR_ENDINGS = (".ndjson", ".ndjson.gz", ".json")
ENDINGS = (*TEXT_ENDINGS, ".xlsx", ".parquet", *FHIR_ENDINGS)


@dataclass(frozen=True)
class Export:
    """One file, or one sheet of it, read as one source; `file_no` counts them from 1."""

    path: Path
    source: ExportSource
    ending: str
    file_no: int
    files: int

    @property
    def where(self) -> str:
        """The place of the file, without its name."""
        return f"file {self.file_no} of {self.files} ({self.source.name})"

    @property
    def part(self) -> str:
        """The key under which its line numbers are kept."""
        return f"export {self.file_no}"


def find_exports(paths: Sequence[Path | str], mapping: ExportMapping) -> tuple[tuple[Export, ...], int]:
    """Return the files under `paths` with their sources, and how many files in folders no source names.

    A workbook of several sheets counts once for every source. Raises FileFault, one line a file.
    """
    single = {Path(path).resolve() for path in paths if Path(path).is_file()}
    files, faults = expand(paths)
    found: list[tuple[Path, ExportSource, str]] = []
    passed_over = 0
    for number, path in enumerate(files, start=1):
        ending = ending_of(path, ENDINGS)
        is_fhir = ending in FHIR_ENDINGS
        named = [
            source
            for source in mapping.sources.values()
            if matches(path.name, source.files) and (source.fhir is not None) is is_fhir
        ]
        if ending is not None and named:
            found += [(path, source, ending) for source in named]
        elif path.resolve() in single:
            mend = "name it in `files` of a source" if ending else f"save it as one of {', '.join(ENDINGS)}"
            faults.append(f"file {number} of {len(files)}: no source of the mapping reads it; {mend}")
        else:
            passed_over += 1
    if not found and not faults:
        faults.append("no file is one that the mapping reads; name a file, or look at `files` of its sources")
    if faults:
        raise FileFault(*faults)
    return tuple(Export(*one, number, len(found)) for number, one in enumerate(found, start=1)), passed_over


def matches(text: str, pattern: str) -> bool:
    """Whether `text` is what `pattern` says, `*` standing for any letters and capitals for small ones."""
    return re.fullmatch(re.escape(pattern.lower()).replace(r"\*", ".*"), text.lower(), re.DOTALL) is not None


def expand(paths: Sequence[Path | str]) -> tuple[list[Path], list[str]]:
    """Return the files named and those in the folders named, each once, and a line for each path that is neither."""
    files: dict[Path, Path] = {}
    faults = []
    for place, path in enumerate(map(Path, paths), start=1):
        if path.is_dir():
            inside, odd = entries_of(path, f"path {place} of {len(paths)}")
            faults += odd
            files.update({entry.resolve(): entry for entry in inside})
        elif path.is_file():
            files[path.resolve()] = path
        else:
            faults.append(f"path {place} of {len(paths)}: {no_file(path)}")
    return list(files.values()), faults
