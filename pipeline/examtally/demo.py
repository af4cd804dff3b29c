"""The whole line in one call: a synthetic clinic, its registry, its analysis and its reports, beside its truth."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.results import conform
from examtally.errors import ResultsError
from examtally.ingestion import BatchReport, ingest
from examtally.ingestion.checking.intake import load_engine
from examtally.processes import Beside
from examtally.registry import open_registry
from examtally.registry.scratch import scratch
from examtally.results import Results, analyze
from examtally.results.analysis import TABLES, make_tables, provenance, step_of
from examtally.results.folder import read_once
from examtally.results.settings import settings_for
from examtally.results.work import Work
from examtally.synthesis import SynthesisReport, synthesize

REGISTRY = "registry.duckdb"
_PARTS = ("synthetic", "results", "report")
_APART = ("latent_class", "sensitivity_analyses")
"""What another process makes while this one draws who has the condition."""
_WITH_MODELS = (
    *("accuracy", "post_test", "leading", "verification", "verification_bounds", "verification_models"),
    *("reference_error", "tipping", "reference_accuracy", "examiner_spread", "examiner_probability", "learning"),
)
"""What it makes of the drawn, half of the work that is left then."""


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
    registry, synthetic, results_dir, pages = (out / name for name in (REGISTRY, *_PARTS))
    _make_ready(out)
    with Beside() as other:
        other.begin(_load, (*_APART, *_WITH_MODELS), with_engine=True)
        made = synthesize(synthetic, seed=seed, scenario=scenario, progress=say)
        say("ingesting the records")
        clean = ingest([synthetic / "records"], registry, progress=say)
        say("ingesting the dirty export")
        dirty = other.begin(ingest, [synthetic / "dirty"], registry, second_engine=True)
        _load({*TABLES} - {*_APART, *_WITH_MODELS})
        sent = dirty()
        results = _analyzed(registry, other, say)
        results = _with_truth(results, synthetic / "truth.json")
        results.write(results_dir)
        rendered = _rendered(results, results_dir, pages, other, say)
    return Demo(out, made, clean, sent, rendered, pages / "audit.html")


def _load(tables: Collection[str], *, with_engine: bool = False) -> None:
    """Load what makes these tables, and the second engine of an ingest, while the other process has work to do."""
    if with_engine:
        load_engine()
    for table in tables:
        step_of(table)
    import_module("examtally.reporting.reports")


def _analyzed(registry: Path, other: Beside, say: Callable[[str], None]) -> Results:
    """What `analyze` gives with examiners, made in both processes."""
    from examtally.results.steps.leading import models  # `_load` has loaded it

    apart = other.begin(_tables, registry, _APART)
    with _work(registry, say) as work:
        drawn = work.once(models)
        with_models = other.begin(_tables, registry, _WITH_MODELS, drawn)
        made = make_tables(work, {*TABLES} - {*_APART, *_WITH_MODELS})
        made_from = provenance(work.registry, work.protocol, TABLES, work.contract)
    made |= apart() | with_models()
    return Results({name: made[name] for name in TABLES}, made_from)


def _rendered(
    results: Results, folder: Path, pages: Path, other: Beside, say: Callable[[str], None]
) -> tuple[Path, ...]:
    """Every page, the index first, which lists the others."""
    from examtally.reporting import render_actions, render_monthly, render_shelf  # `_load` has loaded what they need
    from examtally.reporting.engine.renderer import render
    from examtally.reporting.reports import render_annex

    annex = other.begin(render_annex, folder, pages)
    with read_once():
        say("rendering the audit")
        audit = render("audit", folder, pages)
        newest = str(results.tables["indicators"]["period"].max())
        monthly = render_monthly(folder, pages, period=newest, progress=say)
        actions = render_actions(folder, pages, progress=say)
        made = (*audit, *annex(), *monthly, *actions)
        index, maneuvers = render_shelf(folder, pages, progress=say)
    return index, *made, maneuvers


def _tables(registry: Path, names: Collection[str], drawn: Any = None) -> dict[str, pl.DataFrame]:
    """Some tables of the registry, with who was drawn to have the condition where they need it."""
    from examtally.results.steps.leading import models

    with _work(registry, None) as work:
        if drawn is not None:
            work.know(models, drawn)
        return make_tables(work, names)


@contextmanager
def _work(registry: Path, say: Callable[[str], None] | None) -> Iterator[Work]:
    with open_registry(registry) as opened:
        protocol, contract = settings_for(opened.con, None)
        work = Work(opened, contract, protocol, with_examiners=True, progress=say)
        try:
            yield work
        finally:
            work.close()


@dataclass(frozen=True)
class Score:
    """How many of the leading intervals of so many clinics hold the truth, by measure: held and shown."""

    clinics: int
    held: dict[str, int]
    shown: dict[str, int]


def score_clinics(
    clinics: int,
    *,
    seed: int | None = None,
    scenario: Path | None = None,
    progress: Callable[[str], None] | None = None,
) -> Score:
    """Make so many synthetic clinics at one seed after the other and hold their leading intervals against the truth."""
    say = progress or (lambda _: None)
    held, shown = (dict.fromkeys(("sensitivity", "specificity"), 0) for _ in range(2))
    for number in range(clinics):
        say(f"clinic {number + 1} of {clinics}")
        with scratch() as folder:
            synthesize(folder / "synthetic", seed=(1 if seed is None else seed) + number, scenario=scenario)
            ingest([folder / "synthetic" / "records"], folder / REGISTRY)
            with open_registry(folder / REGISTRY) as opened:
                results = _with_truth(analyze(opened, only="leading"), folder / "synthetic" / "truth.json")
        for measure, truth, low, high in _intervals(results):
            shown[measure] += 1
            held[measure] += low <= truth <= high
    return Score(clinics, held, shown)


def _with_truth(results: Results, file: Path) -> Results:
    """The results with the table `known_truth` beside the others."""
    table = json.loads(file.read_text(encoding="utf-8"))["accuracy"]
    rows = pl.DataFrame(table["rows"], schema=table["columns"], orient="row", infer_schema_length=None)
    known = rows.filter(pl.col("interpretable").is_not_null(), group_by="overall").select(
        "condition", "maneuver", "measure", pl.col("interpretable").alias("truth")
    )
    return Results({**results.tables, "known_truth": conform("known_truth", known)}, results.provenance)


def _intervals(results: Results) -> list[tuple[str, float, float, float]]:
    """Measure, truth and both limits of every leading interval that is shown, overall."""
    leading = results.tables["leading"].filter(group_by="overall")
    joined = results.tables["known_truth"].join(leading, on=["condition", "maneuver"])
    return [
        (row["measure"], row["truth"], row[f"{row['measure']}_low"], row[f"{row['measure']}_high"])
        for row in joined.iter_rows(named=True)
        if row[f"{row['measure']}_low"] is not None and row[f"{row['measure']}_high"] is not None
    ]


def _make_ready(out: Path) -> None:
    """Make `out` a folder that only demos have written to, without a registry."""
    if out.exists():
        strange = [path for path in out.iterdir() if path.name not in {*_PARTS, REGISTRY} and path.name[0] != "."]
        if not out.is_dir() or strange:
            raise ResultsError("--out: that place holds files that are not a demo's; name a new or empty folder.")
    out.mkdir(parents=True, exist_ok=True)
    (out / REGISTRY).unlink(missing_ok=True)
