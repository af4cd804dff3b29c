"""The whole line in one call: a synthetic clinic, its registry, its analysis and its reports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from examtally.errors import ResultsError
from examtally.ingestion import BatchReport, ingest
from examtally.registry import open_registry
from examtally.reporting import render_audit, render_monthly, render_shelf
from examtally.results import analyze
from examtally.synthesis import SynthesisReport, synthesize

REGISTRY = "registry.duckdb"
_PARTS = ("synthetic", "results", "report")


@dataclass(frozen=True)
class Demo:
    """What the demo made: the synthetic clinic, the two batches it sent, and the pages rendered from them."""

    out: Path
    synthesis: SynthesisReport
    clean: BatchReport
    dirty: BatchReport
    pages: tuple[Path, ...]
    first_page: Path


def run_demo(
    out: Path, *, seed: int | None = None, scenario: Path | None = None, progress: Callable[[str], None] | None = None
) -> Demo:
    """Make the synthetic clinic, ingest its records and then its dirty export, analyze and render, all under `out`.

    A registry left there by an earlier demo is replaced. Raises ResultsError where `out` holds anything else.
    """
    say = progress or (lambda _: None)
    registry = _fresh_registry(out)
    made = synthesize(out / "synthetic", seed=seed, scenario=scenario, progress=say)
    say("ingesting the records")
    clean = ingest([out / "synthetic" / "records"], registry, progress=say)
    say("ingesting the dirty export")
    dirty = ingest([out / "synthetic" / "dirty"], registry, progress=say)
    with open_registry(registry) as opened:
        results = analyze(opened, with_examiners=True, progress=say)
    results.write(out / "results")
    (audit,) = render_audit(out / "results", out / "report", progress=say)
    newest = str(results.tables["indicators"]["period"].max())
    monthly = render_monthly(out / "results", out / "report", period=newest, progress=say)
    index, maneuvers = render_shelf(out / "results", out / "report", progress=say)
    return Demo(out, made, clean, dirty, (index, audit, *monthly, maneuvers), audit)


def _fresh_registry(out: Path) -> Path:
    """Return the path of a registry that is not there yet, in a folder that only demos have written to."""
    registry = out / REGISTRY
    if out.exists():
        strange = [path for path in out.iterdir() if path.name not in {*_PARTS, REGISTRY} and path.name[0] != "."]
        if not out.is_dir() or strange:
            raise ResultsError("--out: that place holds files that are not a demo's; name a new or empty folder.")
    out.mkdir(parents=True, exist_ok=True)
    registry.unlink(missing_ok=True)
    return registry
