"""A whole export de-identified, outside any registry: read, coded, looked through, written whole or not at all."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import duckdb
import yaml

from examtally.contracts.contract import Contract, contract_for
from examtally.contracts.mapping.file import load_mapping, read_mapping
from examtally.contracts.yamlfile import load_yaml
from examtally.deidentification.export import Cleaned, Cleaner
from examtally.deidentification.keyfile import SiteKey, read_key
from examtally.deidentification.risk import Risk, residual_risk
from examtally.deidentification.undeclared import Undeclared
from examtally.errors import FileFault, MappingError
from examtally.ingestion.checking.days import disguised_days
from examtally.ingestion.mapping.exports import find_exports
from examtally.ingestion.mapping.mapped import stage_mapped
from examtally.ingestion.reading.staging import make_line_shift
from examtally.registry.scratch import new_folder
from examtally.registry.workspace import Workspace

Progress = Callable[[str], None]
MAPPING = "mapping.yaml"


@dataclass(frozen=True)
class CleanedFile:
    """One written file and what became of the lines and columns of its export."""

    source: str
    file: str
    lines: int
    written: int
    skipped: int
    without_person: int
    dropped: tuple[str, ...]
    undeclared: tuple[Undeclared, ...]


@dataclass(frozen=True)
class Deidentified:
    """What was written, what was dropped, and what risk is left."""

    out: Path
    files: tuple[CleanedFile, ...]
    passed_over: int
    risks: tuple[Risk, ...]

    def to_json(self) -> str:
        """Return all but the folder as JSON."""
        content = {name: value for name, value in asdict(self).items() if name != "out"}
        return json.dumps(content, indent=2)


def deidentify(
    paths: Sequence[Path | str],
    mapping: Path,
    key: Path,
    out: Path,
    *,
    joint: str | None = None,
    catalogue: Path | None = None,
    progress: Progress | None = None,
) -> Deidentified:
    """Write the export under `paths` without identifiers to the new folder `out`, with a mapping file that reads it.

    The mapping needs a `deidentify` section. Raises KeyFileError, MappingError or FileFault; in each case nothing is
    written.
    """
    say = progress or (lambda _step: None)
    site_key, contract = read_key(key), contract_for(joint, catalogue)
    _check_out(out, key)
    top = load_yaml(mapping, MappingError)
    declared = read_mapping(top, contract)
    if declared.deidentify is None:
        mend = "add one that names the identifying columns and the dates"
        raise MappingError(f"{mapping.name}: has no section `deidentify`; {mend}")
    section = declared.deidentify
    exports, passed_over = find_exports(paths, declared)
    with new_folder(out) as folder, Workspace(out.parent) as workspace:
        make_line_shift(workspace.con)
        cleaner = Cleaner(workspace.con, contract, declared, section, site_key, workspace.folder)
        cleaned = {}
        faults: list[str] = []
        for export in cleaner.in_order(exports):
            say(f"de-identifying {export.where}")
            try:
                cleaned[export.file_no] = cleaner.clean(export)
            except FileFault as fault:
                faults += fault.lines
        if faults:
            raise FileFault(*faults)
        files = _write(folder, [cleaned[export.file_no] for export in exports])
        (folder / MAPPING).write_text(_mapping_of(top.plain()), encoding="utf-8")
        say("counting what could still point at a person")
        risks = _look_again(folder, site_key, contract)
    return Deidentified(out, files, passed_over, risks)


def _check_out(out: Path, key: Path) -> None:
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise FileFault("the output folder is there already and is not empty; name a new one")
    if out.absolute().resolve() in key.absolute().resolve().parents:
        raise FileFault("the key would lie in the output folder; keep it apart from what is shared")


def _write(folder: Path, cleaned: Sequence[Cleaned]) -> tuple[CleanedFile, ...]:
    numbers: Counter[str] = Counter()
    files = []
    for one in cleaned:
        numbers[one.source] += 1
        name = f"{one.source}.{numbers[one.source]}.csv"
        one.frame.write_csv(folder / name)
        files.append(
            CleanedFile(
                one.source,
                name,
                one.lines,
                one.frame.height,
                one.skipped,
                one.without_person,
                one.dropped,
                one.undeclared,
            )
        )
    return tuple(files)


def _mapping_of(content: object) -> str:
    """The same mapping for the written files: their names and their form, and no section on identifiers."""
    assert isinstance(content, dict)
    sources = {
        name: {"files": f"{name}.*.csv"} | ({"decimal": source["decimal"]} if "decimal" in source else {})
        for name, source in content["sources"].items()
    }
    kept = {key: value for key, value in content.items() if key != "deidentify"} | {"sources": sources}
    return yaml.safe_dump(kept, sort_keys=False, allow_unicode=True, width=110)


def _look_again(folder: Path, key: SiteKey, contract: Contract) -> tuple[Risk, ...]:
    """Read what was written as its receiver would; raises FileFault where its days are calendar days in disguise."""
    mapping = load_mapping(folder / MAPPING, contract)
    exports, _ = find_exports([folder], mapping)
    with Workspace(folder.parent) as workspace:
        con = workspace.con
        staged = stage_mapped(con, contract, mapping, exports, workspace.folder, lambda _step: None).staged
        _refuse_disguised(con, {name: one.view for name, one in staged.items()})
        return residual_risk(con, key.month_zero)


def _refuse_disguised(con: duckdb.DuckDBPyConnection, views: dict[str, str]) -> None:
    sound = {
        "exams": "try_cast(exam_day as integer) is not null and participant_id is not null "
        "and coalesce(regexp_full_match(period, 'P[0-9]{3}|[0-9]{4}-[0-9]{2}'), true)",
        "references": "try_cast(reference_day as integer) is not null and participant_id is not null",
        "participants": "try_cast(age_years as integer) is not null",
    }
    sources = {name: f"(select * from {views[name]} where {holds})" for name, holds in sound.items() if name in views}
    faults = disguised_days(con, sources)
    if faults:
        raise FileFault(
            *faults, "the key was made for records of other years: before its first use, make it with --around YEAR"
        )
