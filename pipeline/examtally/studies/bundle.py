"""A bundle on disk: a Data Package of released aggregates, protocol, lock and code version, checked when read back.

`datapackage.json` names every file with its length and sha256. `data/` is a release folder of its own, which a later
release takes as known.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl
import yaml

from examtally.contracts.protocol.protocol import canonical_hash
from examtally.contracts.results import result_tables
from examtally.contracts.study.study import Study, load_study
from examtally.disclosure.folder import Release, read_release
from examtally.errors import ExamtallyError, StudyError
from examtally.resources import resource
from examtally.studies.crate import CRATE, crate
from examtally.studies.lockfile import LockEntry, lock_path, read_lock, write_lock
from examtally.words import for_markdown

PACKAGE, DATA, PROTOCOL, SCRIPT = "datapackage.json", "data", "study.yaml", "reproduce.py"
README = "README.md"
REQUIREMENTS, LOCKED = "requirements.txt", "requirements.lock"
FORMAT = "examtally study bundle"
_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_TYPES = {"Int64": "integer", "Float64": "number", "Boolean": "boolean"}
_TEXT = '''"""Run this study again on the registry and say which figures differ: python reproduce.py REGISTRY."""

import sys
from pathlib import Path

from examtally.studies import reproduce

if len(sys.argv) != 2:
    sys.exit("name the registry: python reproduce.py registry.duckdb")
found = reproduce(Path(__file__).resolve().parent, Path(sys.argv[1]))
print(found.text())
sys.exit(0 if found.is_same else 1)
'''
_ABOUT = (
    "Released aggregates of a study with its protocol, its lock and a script that repeats the numbers. Every count "
    "stands for 11 people or more; tables with a smaller one, and whatever would give one away, are left out whole."
)
_READ_ME = (
    "`data/` holds the counts and figures, `study.yaml` the protocol as it was run, `study.lock.json` its lock where "
    "it was locked, `requirements.txt` the versions of the packages. `datapackage.json` names every file with its sum, "
    f"`{CRATE}` says how they belong together (RO-Crate)."
)
_REPEAT = """## Run it again

With Python {python} and examtally {examtally} (its wheel, as you got the program) beside this folder's files:

```
python -m venv env
{install}
env/bin/python -m pip install --no-deps examtally-{examtally}-py3-none-any.whl
env/bin/python reproduce.py registry.duckdb
```

The registry is the group's own and is not in the bundle. The last command refuses a bundle that was changed, compares
every figure of `data/` and says which differ, what in the registry's log explains it, and what it could not check."""
_FROM_LOCK = "env/bin/python -m pip install --require-hashes -r requirements.lock"
_FROM_VERSIONS = "env/bin/python -m pip install $(grep -v ^examtally requirements.txt)"
_TOLD = {
    README: "What the bundle holds and how to run it again",
    PROTOCOL: "The protocol as it was run",
    SCRIPT: "Runs the study again and compares every released figure",
    REQUIREMENTS: "Versions of the packages",
    LOCKED: "Every package with its version and sum",
    "study.lock.json": "The lock of the protocol",
    f"{DATA}/counts.csv": "Released counts",
    f"{DATA}/release.json": "Where the released figures come from",
}


@dataclass(frozen=True)
class Bundle:
    """What a bundle holds. `log_entry` is the newest entry of the log at the run, `versions` the packages, `lacks` what
    of the main results it does not hold, in sentences; `made` the day it was made (ISO 8601, UTC), empty if read back;
    `asked_before` what says that the question was locked, or its results seen, before the lock.
    """

    study: Study
    locked: tuple[LockEntry, ...]
    release: Release
    log_entry: int
    prespecified: frozenset[str]
    versions: Mapping[str, str]
    lacks: tuple[str, ...]
    made: str = ""
    asked_before: tuple[str, ...] = ()

    def write(self, folder: Path) -> None:
        """Write every file of the bundle into a folder that is there."""
        self.release.write(folder)
        (folder / self.release.name).rename(folder / DATA)
        self.release.log_in(folder).unlink()
        text = yaml.safe_dump(dict(self.study.source), sort_keys=False, allow_unicode=True)
        (folder / PROTOCOL).write_text(text, encoding="utf-8")
        if self.locked:  # who locked it stays in the registry's log
            write_lock(lock_path(folder / PROTOCOL), [replace(one, operator=None) for one in self.locked])
        (folder / SCRIPT).write_text(_TEXT, encoding="utf-8")
        pins = "".join(f"{name}=={version}\n" for name, version in sorted(self.versions.items()) if name != "python")
        (folder / REQUIREMENTS).write_text(pins, encoding="utf-8")
        lock = resource("schemas").parent / LOCKED
        if lock.is_file():
            shutil.copyfile(lock, folder / LOCKED)
        (folder / README).write_text(self._readme(folder), encoding="utf-8")
        (folder / CRATE).write_text(self._crate(folder), encoding="utf-8")
        package = self._package(folder)
        (folder / PACKAGE).write_text(_sealed(package, canonical_hash(package)), encoding="utf-8")

    def _readme(self, folder: Path) -> str:
        repeat = _REPEAT.format(
            python=self.versions.get("python", ""),
            examtally=self.versions.get("examtally", ""),
            install=_FROM_LOCK if (folder / LOCKED).is_file() else _FROM_VERSIONS,
        )
        title = f"# {for_markdown(self.study.title)}"
        before = [f"**{self.known}**"] if self.known else []
        return "\n\n".join([title, _ABOUT, *before, f"**{self.carries}**", _READ_ME, repeat]) + "\n"

    @property
    def carries(self) -> str:
        """Whether every figure of the primary analyses is in it, or which are not and why."""
        return " ".join(self.lacks) or "The primary result is in this bundle in released form."

    @property
    def known(self) -> str:
        """That the question was asked before the lock, where it was: `prespecified` is to be read with it."""
        told = "; ".join(self.asked_before)
        return f"The analyses are as locked, but not before the question was first asked: {told}." if told else ""

    def _crate(self, folder: Path) -> str:
        data = sorted(path.relative_to(folder).as_posix() for path in (folder / DATA).glob("*.csv"))
        told = {f"{DATA}/{name}.csv": result_tables()[name].title for name in self.release.figures}
        said = self.study.contract.catalogue.noun.said
        return crate(
            folder,
            title=self.study.title,
            about=" ".join(part for part in (_ABOUT, self.known, self.carries) if part),
            date=self.made,
            told={**_TOLD, **{path: said(words) for path, words in told.items()}},
            script=SCRIPT,
            results=data,
            protocol=PROTOCOL,
            versions=self.versions,
        )

    def _package(self, folder: Path) -> dict[str, Any]:
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        governance = {name: value or "not stated" for name, value in asdict(self.study.governance).items()}
        return {
            "$schema": _PROFILE,
            "name": self.study.code.replace("_", "-"),
            "title": self.study.title,
            "description": " ".join(
                [
                    _ABOUT,
                    *filter(None, [self.known]),
                    *self.lacks,
                    "License, contributors and sources are left to the author.",
                ]
            ),
            "version": "1.0.0",
            "resources": [_resource(path, folder, self.release) for path in files],
            "examtally": {
                "format": FORMAT,
                "log_entry": self.log_entry,
                "lacks": list(self.lacks),
                "prespecified": sorted(self.prespecified),
                "asked_before": list(self.asked_before),
                "versions": dict(self.versions),
                "governance": governance,
            },
        }


def read_bundle(folder: Path) -> Bundle:
    """Read a bundle back; StudyError where it is none, or a file is missing, was added or was changed."""
    try:
        text = (folder / PACKAGE).read_text(encoding="utf-8")
        package = json.loads(text)
        about, listed = package["examtally"], {one["path"]: one["hash"] for one in package["resources"]}
        if about["format"] != FORMAT:
            raise ValueError
    except (OSError, ValueError, KeyError, TypeError):
        raise StudyError(
            f"{PACKAGE}: is not of a bundle; name the folder that `examtally study bundle` wrote"
        ) from None
    seal = package.pop("seal", "")
    if seal != canonical_hash(package) or text != _sealed(package, seal):
        raise StudyError(f"{PACKAGE}: was changed after the bundle was made; take an unchanged copy")
    for path in sorted(listed):
        _check(folder, path, listed[path])
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    extra = sorted(there - listed.keys() - {PACKAGE})
    if extra:
        raise StudyError(f"{Path(extra[0]).name}: does not belong to the bundle; move it elsewhere")
    try:
        return Bundle(
            study=load_study(folder / PROTOCOL),
            locked=read_lock(lock_path(folder / PROTOCOL)),
            release=read_release(folder / DATA),
            log_entry=int(about["log_entry"]),
            prespecified=frozenset(about["prespecified"]),
            versions=dict(about["versions"]),
            lacks=tuple(about["lacks"]),
            asked_before=tuple(about.get("asked_before", ())),
        )
    except (KeyError, TypeError, ValueError):
        raise StudyError(f"{PACKAGE}: is incomplete or was changed; make the bundle again") from None
    except ExamtallyError as fault:
        raise StudyError(f"the bundle cannot be used: {fault}") from None


def _sealed(package: Mapping[str, Any], seal: str) -> str:
    """The package as it is written, with the hash over all that it says."""
    return json.dumps({**package, "seal": seal}, indent=1) + "\n"


def _check(folder: Path, path: str, expected: str) -> None:
    place = folder / path
    is_inside = place.resolve().is_relative_to(folder.resolve())
    if not is_inside or not place.is_file():
        raise StudyError(f"{Path(path).name}: is missing from the bundle; take a whole copy")
    if _digest(place) != expected:
        raise StudyError(f"{Path(path).name}: was changed after the bundle was made; take an unchanged copy")


def _resource(path: Path, folder: Path, release: Release) -> dict[str, Any]:
    """One file as a resource: data with a schema, any other as it is."""
    place = path.relative_to(folder).as_posix()
    about = {
        "name": place.replace("/", "-").replace(".", "-").replace("_", "-").lower(),
        "path": place,
        "format": path.suffix[1:],
        "encoding": "utf-8",
        "bytes": path.stat().st_size,
        "hash": _digest(path),
    }
    if path.suffix != ".csv":
        return about
    frame = {"counts": release.counts, **release.figures}[path.stem]
    return {**about, "type": "table", "schema": {"fields": _fields(path.stem, frame)}}


def _fields(table: str, frame: pl.DataFrame) -> list[dict[str, str]]:
    declared = result_tables()["tallies" if table == "counts" else table].columns
    words = {column.name: column.description for column in declared}
    return [
        {"name": name, "type": _TYPES.get(str(kind), "string")}
        | ({"description": words[name]} if words.get(name) else {})
        for name, kind in frame.schema.items()
    ]


def _digest(path: Path) -> str:
    return f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"
