"""What exams are grouped by. A grouping is one SQL expression; adding one here adds it to every tally."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from examtally.contracts.catalogue.clinical import OwnGrouping
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.analysis_set import Bands
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine

UNKNOWN = "unknown"
EXAMS = (
    "used_exams e left join reg.examiners x on x.examiner_id = e.examiner_id "
    "left join reg.participants p on p.participant_id = e.participant_id"
)
"""Every exam with its examiner and participant, where they are in their tables."""


@dataclass(frozen=True)
class Grouping:
    """A way to group exams.

    `label` is SQL over `e` (exams), `x` (examiners) and `p` (participants) that gives the group as text; null becomes
    `unknown`. `order` holds the declared groups in order; where it is empty, the groups are those of the records.
    With `own_index`, each examiner's first eligible exam of an episode counts; otherwise the episode's first.
    A grouping that is not `public` serves other tables and stays out of the tallies.
    """

    name: str
    label: str
    order: tuple[str, ...] = ()
    own_index: bool = False
    public: bool = True

    @property
    def column(self) -> str:
        """Name of the column of group codes in the temporary tables."""
        return f"g_{self.name}"

    @property
    def code_type(self) -> str:
        """SQL type of the codes: one byte for declared groups, two for open ones."""
        return "utinyint" if self.order else "usmallint"

    @property
    def known(self) -> str:
        """SQL for the group, `unknown` where it is not recorded."""
        return f"coalesce({self.label}, '{UNKNOWN}')"

    @property
    def closed(self) -> tuple[str, ...]:
        """The declared groups in order and `unknown`."""
        return (*self.order, UNKNOWN)

    @property
    def code(self) -> str:
        """SQL for the code of the group; an open grouping finds it in `group_labels`."""
        if not self.order:
            return f"l_{self.name}.code"
        whens = " ".join(f"when {text(label)} then {place}" for place, label in enumerate(self.order, 1))
        return f"case {self.label} {whens} else {len(self.closed)} end"

    @property
    def index_bits(self) -> str:
        """Column of `cohort_exams` with the conditions for which an exam is the index exam of this grouping."""
        return "own_bits" if self.own_index else "index_bits"

    @property
    def is_cell(self) -> str:
        """SQL condition on `cells` for the cells of this grouping."""
        return "true" if self.own_index else "is_index"


def text(value: str) -> str:
    """A value as an SQL literal."""
    return "'" + value.replace("'", "''") + "'"


def groupings(contract: Contract, protocol: Protocol) -> tuple[Grouping, ...]:
    """Return every grouping in the order of the tallies; `overall` is first."""
    role = _merged(
        Grouping("role", "coalesce(e.examiner_role, x.role, 'unknown')", _codes(contract, "examiners", "role")),
        protocol,
    )
    found = (
        Grouping("overall", "'all'", ("all",)),
        Grouping("examiner", "e.examiner_id", own_index=True),
        role,
        Grouping("setting", "e.setting", _codes(contract, "exams", "setting")),
        _banded("acuity", "e.days_since_onset", protocol),
        Grouping("sex", "p.sex", _codes(contract, "participants", "sex")),
        _banded("age_band", "p.age_years", protocol),
        _banded("bmi_band", "p.bmi", protocol),
        *(_own(one, contract, protocol) for one in contract.catalogue.groupings.values()),
        Grouping("guarding", "e.guarding", _codes(contract, "exams", "guarding")),
        Grouping("site", "x.site_id"),
        Grouping("period", "e.period"),
        Grouping("role_examiner", f"{role.label} || '/' || e.examiner_id", public=False),
    )
    return tuple(one if one is role else _merged(one, protocol) for one in found)


def _merged(grouping: Grouping, protocol: Protocol) -> Grouping:
    """The grouping with the levels that the protocol merges as one group, where the first of them stood."""
    groups = protocol.comparisons.merged(grouping.name)
    if not groups:
        return grouping
    whens = " ".join(f"when {text(level)} then {text(group)}" for level, group in groups.items())
    label = f"case {grouping.label} {whens} else {grouping.label} end"
    order = tuple(dict.fromkeys(groups.get(level, level) for level in grouping.order))
    return replace(grouping, label=label, order=order)


def write_labels(con: Engine, chosen: Iterable[Grouping]) -> None:
    """Write `group_labels` (group_by, code, label): codes count from 1 in the order of the groups, `unknown` last."""
    con.execute("create temp table group_labels (group_by varchar, code usmallint, label varchar)")
    closed, opened = [], []
    for grouping in chosen:
        if grouping.order:
            named = enumerate(grouping.closed, 1)
            closed += [f"('{grouping.name}', {place}, {text(label)})" for place, label in named]
        else:
            opened.append(
                f"select '{grouping.name}', row_number() over (order by label = '{UNKNOWN}', label), label "
                f"from (select distinct {grouping.known} as label from {EXAMS})"
            )
    con.execute(f"insert into group_labels select * from (values {', '.join(closed)})")
    for labels in opened:
        con.execute(f"insert into group_labels {labels}")


def code_columns(chosen: Iterable[Grouping]) -> str:
    """SELECT expressions over `EXAMS`, joined as `code_joins` says, for the code of every grouping."""
    return ", ".join(f"{grouping.code}::{grouping.code_type} as {grouping.column}" for grouping in chosen)


def code_joins(chosen: Iterable[Grouping]) -> str:
    """Joins that bring the codes of the open groupings."""
    return " ".join(
        f"left join group_labels l_{g.name} on l_{g.name}.group_by = '{g.name}' and l_{g.name}.label = {g.known}"
        for g in chosen
        if not g.order
    )


def _own(one: OwnGrouping, contract: Contract, protocol: Protocol) -> Grouping:
    """A grouping that only this joint has."""
    column = f"e.{one.column}"
    if one.first:
        return _banded(one.name, column, protocol)
    return Grouping(one.name, column, _codes(contract, "exams", one.column))


def _codes(contract: Contract, table: str, column: str) -> tuple[str, ...]:
    declared = contract.tables[table].field(column).enum or ()
    return tuple(code for code in declared if code != UNKNOWN)


def _banded(name: str, value: str, protocol: Protocol) -> Grouping:
    bands: Bands = protocol.groups.bands(name)
    limits = " ".join(
        f"when {value} < {start} then '{code}'" for code, start in zip(bands.codes, bands.starts, strict=False)
    )
    return Grouping(name, f"case when {value} is null then null {limits} else '{bands.codes[-1]}' end", bands.codes)


def read_examiners(con: Engine) -> tuple[str, ...]:
    """Pseudonyms of the examiners that the column `examiner` of the verification frame counts from 1."""
    rows = con.sql("select label from group_labels where group_by = 'examiner' order by code").fetchall()
    return tuple(str(label) for (label,) in rows)
