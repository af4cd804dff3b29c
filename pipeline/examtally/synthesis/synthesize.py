"""Synthetic clinics: record files whose truth is known."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from examtally.synthesis.chance import Streams
from examtally.synthesis.clinic import draw_parts, open_clinic
from examtally.synthesis.estimands import Truth
from examtally.synthesis.faults import load_faults
from examtally.synthesis.fhir_feed import FHIR, write_feed
from examtally.synthesis.membership import MemoryCohort
from examtally.synthesis.planted_faults import DirtyTable, Soiling
from examtally.synthesis.scenario_file import load_scenario
from examtally.synthesis.truth import truth_of
from examtally.synthesis.writing import (
    DIRTY,
    RECORDS,
    TRUTH,
    RecordFiles,
    fresh_folder,
    replicate,
    write_dirty,
    write_json,
)


@dataclass(frozen=True)
class SynthesisReport:
    """What was written: rows by record table, and lines by table of the dirty export."""

    out: Path
    title: str
    seed: int
    records: Mapping[str, int]
    dirty: Mapping[str, int]


def synthesize(
    out: Path | str,
    *,
    seed: int | None = None,
    scenario: Path | None = None,
    exams: int | None = None,
    scale: int = 1,
    as_fhir: bool = False,
    progress: Callable[[str], None] | None = None,
) -> SynthesisReport:
    """Write `records/`, `dirty/` and `truth.json` of a synthetic clinic to the folder `out`.

    `scenario` is a scenario file, or the name of one that comes with the package (clinic, small, young); `seed` and
    `exams` (about how many) stand in for those it names. The same arguments give the same bytes. Large clinics are
    drawn in parts, and the dirty export is then made of the first. `scale` writes every person so many times under new
    codes, at no more memory; the dirty export and the truth are of the first copy, and shares are the same in all. With
    `as_fhir` the records also stand in `fhir/`, as
    HL7 FHIR R4 Bulk Data with the mapping that reads them. Raises ContractError for a wrong scenario, and
    FileFault where `out` holds other things.

        et.synthesize("clinic", exams=300)
    """
    out = Path(out)
    say = progress or (lambda _: None)
    plan = load_scenario(scenario)
    seed = plan.seed if seed is None else seed
    say("drawing the synthetic clinic")
    clinic = open_clinic(plan, seed)
    contract = clinic.context.contract
    with fresh_folder(out) as folder, MemoryCohort(contract) as cohort:
        files = RecordFiles(folder / RECORDS)
        truths: list[Truth] = []
        dirty: dict[str, DirtyTable] = {}
        for part in draw_parts(clinic, plan.exams if exams is None else exams):
            if not truths:
                soiling = Soiling(part.records, contract, Streams(seed).of("faults"))
                dirty = soiling.soil(load_faults(contract))
                write_dirty(folder / DIRTY, dirty, soiling.planted)
            files.add(part.records)
            if as_fhir:
                write_feed(folder / FHIR, part.records, contract)
            cohort.add(part.records)
            truths.append(Truth.of(part.drawn, contract))
        rows = files.rows
        if scale > 1:
            say(f"copying it {scale:,} times")
            rows = replicate(folder / RECORDS, scale, contract)
        say("counting what is true of it")
        write_json(folder / TRUTH, truth_of(clinic, Truth.joined(truths), cohort.members()))
    lines = {name: len(table.lines) for name, table in dirty.items()}
    return SynthesisReport(out, plan.title, seed, MappingProxyType(rows), MappingProxyType(lines))
