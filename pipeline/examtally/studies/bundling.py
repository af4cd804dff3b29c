"""From the results of a study to a bundle that may leave the group."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl

from examtally.contracts.results import empty
from examtally.disclosure.folder import Release, read_release
from examtally.disclosure.release import release
from examtally.disclosure.sides import KEY, Row, Shown
from examtally.errors import StudyError
from examtally.results import Results
from examtally.studies.bundle import DATA, PACKAGE, Bundle
from examtally.studies.lock_status import EXPLORATORY, PRESPECIFIED
from examtally.studies.reading import read_study
from examtally.studies.running import StudyResults

_CELLS = {"sensitivity": ("tp", "fn"), "specificity": ("fp", "tn")}


def write_bundle(
    results: Path | str,
    out: Path | str,
    *,
    earlier: Sequence[Path] = (),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Write the bundle of a study's results folder at `out`; return it and the log of what was hidden, beside it.

    `earlier` names bundles or release folders of this registry, taken as known. Raises StudyError where `out` is there
    or the folder is not of a study, DisclosureError where a hidden count could be worked out; nothing is written then.
    """
    out = Path(out).resolve()
    found = read_study(results)
    if out.exists():
        raise StudyError(f"{out.name} is there already; name a folder that is not, with --out")
    if progress is not None:
        progress("hiding small counts")
    made = bundle_of(found, earlier=[read_release(_released(folder)) for folder in earlier])
    log = out.with_name(f"{out.name}-disclosure-log.csv")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=out.parent, prefix=".bundle-") as inner:
            fresh = Path(inner) / "fresh"
            fresh.mkdir()
            made.write(fresh)
            log.touch(mode=0o600)
            made.release.log.write_csv(log)
            shutil.move(fresh, out)
    except OSError as fault:
        raise StudyError(f"the bundle cannot be written ({fault.strerror}); name another --out") from None
    return [out, log]


def bundle_of(found: StudyResults, *, earlier: Sequence[Release] = ()) -> Bundle:
    """Return the bundle of a study: its released aggregates with everything that repeats them."""
    made = released(found, earlier=earlier)
    stands = found.standing
    versions = found.results.provenance.versions
    return Bundle(found.study, stands.locked, made, found.log_entry, stands.prespecified, versions)


def released(found: StudyResults, *, earlier: Sequence[Release] = ()) -> Release:
    """Return what of a study may go out; see `release`. A study of agreement has no table of accuracy."""
    tables = {"accuracy": empty("accuracy"), **found.results.tables}
    made = release(Results(tables, found.results.provenance), earlier=earlier)
    statuses = set(found.results.study_analyses["status"])
    status = PRESPECIFIED if statuses == {PRESPECIFIED} else EXPLORATORY
    figures = dict(made.figures)
    if "interactions" in tables:
        figures["interactions"] = _interactions(tables["interactions"], made.shown)
    return replace(made, about={**made.about, "analysis_status": status}, figures=figures)


def _interactions(frame: pl.DataFrame, shown: Shown) -> pl.DataFrame:
    """Differences between groups whose counts are both shown: they say nothing that the counts do not."""
    kept = frame.filter(pl.col("measure").is_in(list(_CELLS)), pl.col("difference").is_not_null(), adjustment="none")
    is_shown = [
        all(
            shown.get(Row(line["condition"], line["maneuver"], line["group_by"], line[side]), {}).get(cell) is not None
            for side in ("group_a", "group_b")
            for cell in _CELLS[line["measure"]]
        )
        for line in kept.iter_rows(named=True)
    ]
    numbers = ("estimate_a", "estimate_b", "difference", "ci_low", "ci_high")
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(
        *KEY[:3], "adjustment", "measure", "group_a", "group_b",
        *(pl.col(name).round(2) for name in numbers),
        *(pl.col(name).round(3) for name in ("p_value", "p_adjusted")),
        "status",
    )  # fmt: skip


def _released(folder: Path) -> Path:
    return folder / DATA if (folder / PACKAGE).is_file() else folder
