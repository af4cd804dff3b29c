"""A release on disk: a folder of CSV files that may go out, and beside it the log that stays inside."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from examtally.disclosure.ledger import Shown
from examtally.disclosure.tables import CELLS, KEY, Row
from examtally.errors import DisclosureError
from examtally.files import put_in_place
from examtally.registry.scratch import scratch
from examtally.words import for_csv

ABOUT = "release.json"
COUNTS = "counts"
_FORMAT = "examtally release"
_FILES = "files"


@dataclass(frozen=True, eq=False)
class Release:
    """What goes out: `about` (where the figures come from), `counts` and the tables of figures; and the `log` of what
    was hidden and why, which stays inside."""

    about: Mapping[str, Any]
    counts: pl.DataFrame
    figures: Mapping[str, pl.DataFrame]
    log: pl.DataFrame

    @property
    def name(self) -> str:
        """Name of the folder: releases of the same registry and protocol have the same."""
        return release_name(self.about["registry"], self.about["protocol"])

    @cached_property
    def shown(self) -> Shown:
        """The counts as a reader sees them, who knows of nobody that is counted twice."""
        counts = {Row(*line[:4]): dict(zip(CELLS, line[4:], strict=True)) for line in self.counts.iter_rows()}
        return Shown(self.about["registry"], counts, dict.fromkeys(counts, 0))

    @cached_property
    def sum(self) -> str:
        """One sum over every count and figure."""
        tables = {COUNTS: self.counts, **self.figures}
        text = json.dumps([[name, frame.write_csv()] for name, frame in sorted(tables.items())])
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def told(self) -> set[Row]:
        """The tables of which a figure of accuracy is shown."""
        frame = self.figures.get("accuracy")
        return set() if frame is None else {Row(*key) for key in frame.select(KEY).iter_rows()}

    def log_in(self, out: Path) -> Path:
        """Where the log stands beside the release."""
        return out / f"disclosure-log{self.name.removeprefix('release')}.csv"

    def write(self, out: Path) -> Path:
        """Write `out`/release-…/ and `out`/disclosure-log-….csv; return the folder. All of it or nothing."""
        target = out / self.name
        try:
            out.mkdir(parents=True, exist_ok=True)
            with scratch(out) as inner:
                fresh = inner / "fresh"
                fresh.mkdir()
                for name, frame in {COUNTS: self.counts, **self.figures}.items():
                    frame.write_csv(fresh / f"{name}.csv")
                text = json.dumps({**self.about, _FILES: _sums(fresh)}, indent=2, ensure_ascii=False)
                (fresh / ABOUT).write_text(f"{text}\n", encoding="utf-8")
                log = inner / "log.csv"
                for_csv(self.log).write_csv(log)
                log.chmod(0o600)
                log.replace(self.log_in(out))
                put_in_place(fresh, target, inner / "before")
        except OSError as fault:
            raise DisclosureError(f"the release cannot be written: {fault.strerror}; name another --out") from None
        return target


def release_name(registry: str, protocol: str) -> str:
    """Name of the release of a registry and a protocol, by their fingerprints."""
    return f"release-{registry[:8]}-{protocol[:8]}"


def read_release(folder: Path) -> Release:
    """Read a release as an outsider has it, without its log. Raises DisclosureError where the folder is none."""
    try:
        about = json.loads((folder / ABOUT).read_text(encoding="utf-8"))
        if about["format"] != _FORMAT or about.pop(_FILES) != _sums(folder):
            raise KeyError
        tables = {
            path.stem: pl.read_csv(path, schema_overrides=dict.fromkeys(KEY, pl.String()), infer_schema_length=None)
            for path in sorted(folder.glob("*.csv"))
        }
        counts = tables.pop(COUNTS).select(*KEY, *(pl.col(cell).cast(pl.Int64) for cell in CELLS))
    except (OSError, ValueError, KeyError, TypeError, RecursionError, pl.exceptions.PolarsError):
        raise DisclosureError(
            f"{folder.name} is no release folder, or was changed; name one that `report audit --audience release` wrote"
        ) from None
    return Release(about, counts, tables, pl.DataFrame())


def about_release(registry: str, protocol: str, **more: object) -> dict[str, object]:
    """What stands in `release.json`: no clock, host or path."""
    return {"format": _FORMAT, "version": 1, "registry": registry, "protocol": protocol, **more}


def _sums(folder: Path) -> dict[str, str]:
    """The sha256 of every table in the folder by name."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.glob("*.csv"))}
