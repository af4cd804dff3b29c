"""The analysis set under other choices: the same counts from other cells, or from a cohort under another protocol.

Where a choice changes which reference counts, the cohort is built anew. Where it only reads a finding or a status
otherwise, or leaves exams out, the cells of the main cohort are counted again; the index exam stays the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import polars as pl

from examtally.cohort.cells import RESULTS, STATUSES, cell_rows
from examtally.cohort.cohort import Cohort, build_cohort
from examtally.cohort.groupings import text
from examtally.cohort.tallies import read_otherwise, read_tallies
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine


@dataclass(frozen=True)
class Scenario:
    """The overall tallies under one other choice, and the protocol they were counted under."""

    name: str
    tallies: pl.DataFrame
    protocol: Protocol


_FINDING = (
    f"case when unsure then cell + ({{}} - cell // {len(STATUSES)} % {len(RESULTS)}) * {len(STATUSES)} else cell end"
)
_STATUS = f"case when cell % {len(STATUSES)} = {STATUSES.index('indeterminate')} then cell - 2 + {{}} else cell end"
_WRONG = f"(case cell % {len(STATUSES)} when 0 then 1 when 1 then 0 else cell // {len(STATUSES)} % {len(RESULTS)} end)"
_READ_OTHERWISE = {
    "equivocal_positive": (_FINDING.format(0), "true"),
    "equivocal_negative": (_FINDING.format(1), "true"),
    "equivocal_worst": (_FINDING.format(_WRONG), "true"),
    "indeterminate_present": (_STATUS.format(0), "true"),
    "indeterminate_absent": (_STATUS.format(1), "true"),
    "examiner_blinded_only": ("cell", "blinded"),
    "complete_only": ("cell", "complete"),
    "entered_before_reference": ("cell", "not late"),
}
"""What becomes of a cell of `scenario_findings`, and which cells stay."""


def read_scenarios(cohort: Cohort, con: Engine, contract: Contract, protocol: Protocol) -> Iterator[Scenario]:
    """Yield every scenario; cohorts under other protocols are built on `con`, the connection of the registry."""
    own = cohort.con
    own.execute(_noted(protocol))
    cells = {
        name: f"select ({cell})::usmallint as cell, ek, is_index from scenario_findings where {stays}"
        for name, (cell, stays) in _READ_OTHERWISE.items()
    }
    for name, tallies in read_otherwise(own, cohort.groupings[0], cells).items():
        yield Scenario(name, tallies, protocol)
    own.execute("drop table scenario_findings")
    for name, other in _other_protocols(protocol, contract.catalogue.alone).items():
        with build_cohort(con, contract, other, cohort.selection, overall_only=True) as built:
            yield Scenario(name, read_tallies(built.con, built.groupings[:1]), other)


def _other_protocols(protocol: Protocol, alone: Sequence[str]) -> dict[str, Protocol]:
    """The protocols under which other references count, by scenario; `alone` are modalities that stand alone in one."""

    def only(modality: str) -> Protocol:
        accepted = {code: (modality,) for code, chosen in protocol.reference.accepted.items() if modality in chosen}
        return replace(protocol, reference=replace(protocol.reference, accepted=MappingProxyType(accepted)))

    def scaled(factor: float) -> Protocol:
        windows = {code: (int(low * factor), int(high * factor)) for code, (low, high) in protocol.windows.items()}
        return replace(protocol, windows=MappingProxyType(windows))

    return {
        **{f"{modality}_only": only(modality) for modality in alone},
        "reader_blinded_only": replace(protocol, reference=replace(protocol.reference, blinded_readers_only=True)),
        "window_half": scaled(0.5),
        "window_double": scaled(2),
    }


def _noted(protocol: Protocol) -> str:
    """SQL that writes `scenario_findings`: the cells of index exams, with what a scenario may ask of each."""
    reasons = ", ".join(text(reason) for reason in protocol.scenarios.not_done_reasons) or "null"
    core = ", ".join(text(code) for code in protocol.core) or "null"
    asked = {
        "unsure": f"f.result = 'equivocal' or coalesce(f.result = 'not_done' and f.reason in ({reasons}), false)",
        "blinded": "x.blinded",
        "complete": "x.complete",
        "late": "coalesce(f.batch_no > x.answered_no or x.batch_no > x.answered_no, false)",
    }
    exams = f"""
        select ek, coalesce(e.reference_known = 'no', false) as blinded, e.batch_no, answered_no,
            coalesce(maneuvers, 0) = {len(protocol.core)} as complete
        from cohort_exams join used_exams e using (exam_id) left join first_answers using (exam_id) left join (
            select exam_id, count(*) as maneuvers from used_findings where maneuver in ({core}) group by exam_id
        ) using (exam_id)
    """
    return (
        f"create temp table scenario_findings as with taken as materialized ({exams}) "
        f"select cell::integer as cell, ek, is_index, {', '.join(asked)} "
        f"from ({cell_rows(protocol.equivocal, asked, 'join taken x using (ek)')}) where is_index"
    )
