"""Running a study: the analysis as declared, no more, each row marked as prespecified or exploratory."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import polars as pl

from examtally.analytics.comparison.group_methods import group_methods
from examtally.analytics.comparison.grouped import GroupedComparison, compare_in_groups
from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.analytics.comparison.rows import holm
from examtally.cohort.groupings import UNKNOWN, Grouping, groupings
from examtally.cohort.selection import read_population
from examtally.contracts.catalogue.local import Kept
from examtally.contracts.protocol.interventions import Aimed, Intervention, Reached
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform
from examtally.contracts.study.study import Study, load_study
from examtally.registry import Registry, open_registry
from examtally.registry.audit_log import entries
from examtally.registry.joints import check_catalogue
from examtally.results.analysis import make_tables, provenance
from examtally.results.folder import write_folder
from examtally.results.results import Results
from examtally.results.settings import check_codes
from examtally.results.steps.corrections import knees
from examtally.results.summary import page, paragraph
from examtally.results.work import Progress, Work
from examtally.studies.declared import (
    OVERALL,
    analyses_table,
    beside,
    compared_groups,
    in_order,
    population_table,
    rows_of,
    wanted_tables,
)
from examtally.studies.described import described_tables
from examtally.studies.history import deviations
from examtally.studies.lock_status import EXPLORATORY, PRESPECIFIED, LockStatus, lock_status
from examtally.studies.lockfile import check_locked_catalogue, check_sealed, lock_path, read_lock
from examtally.studies.primary import primary_result
from examtally.studies.rates import rates_of
from examtally.studies.size_reached import planned_tests, size_table

if TYPE_CHECKING:
    from examtally.plots import Plots


STUDY_FILE = "study.json"
FORMAT = "examtally study results"
_TITLE, _ASKED = 200, 400  # characters in a summary


@dataclass(frozen=True)
class StudyResults:
    """The declared tables of a study, how it stands to its lock, and the study itself.

    `log_entry` is the number of the newest entry of the registry's log when it ran, 0 where the log had none.
    """

    study: Study
    lock_status: LockStatus
    results: Results
    log_entry: int

    def __repr__(self) -> str:
        """The study and the tables there are."""
        return f"Study {self.study.code}. {self.results!r}"

    def write(self, out: Path | str) -> Path:
        """Write the results folder at `out`, with `study.json` beside the tables; see `write_folder`."""
        return write_folder(self.results, Path(out), {STUDY_FILE: self.to_json()})

    @property
    def primary(self) -> pl.DataFrame:
        """The primary result as one table, whatever the design; see `primary_result`."""
        return primary_result(self.study, self.results.tables)

    @property
    def plot(self) -> Plots:
        """Figures on matplotlib axes, under the titles of the study's own tests; see `Results.plot`.

        `found.plot.difference("sensitivity")` draws what a comparison is about.
        """
        return replace(self.results.plot, contract=self.study.contract)

    def _repr_html_(self) -> str:
        """A short summary, as a notebook shows it."""
        stands = self.lock_status
        locked = f"Locked at {stands.locked[0].at} UTC" if stands.locked else "Not locked, so all of it is exploratory"
        changed = f", {len(stands.deviations)} deviations from the lock" if stands.locked else ""
        rows = self.results.study_analyses.select("analysis", "role", "status").iter_rows()
        asked = "; ".join(f"{name} ({role}): {status}" for name, role, status in rows)
        return page(
            f"Study: {self.study.title[:_TITLE]}",
            paragraph(f"{locked}{changed}. {asked[:_ASKED]}."),
            self.results.summary_html(),
        )

    def to_json(self) -> str:
        """The study, its lock and its deviations as JSON; no clock but that of the lock, no path."""
        governance = {name: value or "not stated" for name, value in asdict(self.study.governance).items()}
        content = {
            "format": FORMAT,
            "study": self.study.code,
            "title": self.study.title,
            "governance": governance,
            "is_locked": bool(self.lock_status.locked),
            "lock": [asdict(one) for one in self.lock_status.locked],
            "records_at_lock_are_those_analyzed": bool(self.lock_status.locked)
            and self.lock_status.locked[0].records == self.results.provenance.registry,
            "log_entry": self.log_entry,
            "prespecified": sorted(self.lock_status.prespecified),
            "deviations": [asdict(one) for one in self.lock_status.deviations],
            "protocol": dict(self.study.source),
            "resolved": self.study.to_dict(),
        }
        return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def run(
    protocol: Study | Path | str | Mapping[str, Any],
    registry: Registry | Path | str,
    *,
    lock: Path | None = None,
    exploratory: bool = False,
    progress: Progress | None = None,
) -> StudyResults:
    """Run the study on a registry, opened for reading.

    The lock is that beside the protocol's file, or at `lock`; it is held against the registry's log. Raises StudyError
    where the protocol is not the one locked (unless `exploratory`) or the lock is not whole; ProtocolError for the
    protocol.

        found = et.study("study.yaml", "registry.duckdb")
        found.results.accuracy
        found.write("study-results")
    """
    study = protocol if isinstance(protocol, Study) else load_study(protocol)
    if lock is None and isinstance(protocol, Path | str):
        lock = lock_path(Path(protocol))
    if not isinstance(registry, Registry):
        with open_registry(registry) as opened:
            return run(study, opened, lock=lock, exploratory=exploratory, progress=progress)
    return run_as(study, status_of(study, registry, lock, exploratory=exploratory), registry, progress=progress)


def run_as(study: Study, stands: LockStatus, registry: Registry, *, progress: Progress | None = None) -> StudyResults:
    """Run the study with a standing that is known already."""
    check_codes(registry.con, study.base)
    newest = max((entry.entry for entry in entries(registry.con)), default=0)
    tables = _tables(study, stands, registry, progress)
    made = provenance(registry, study.protocol, tables, study.base)
    return StudyResults(study, stands, Results(tables, made), newest)


def status_of(study: Study, registry: Registry, lock: Path | None, *, exploratory: bool = False) -> LockStatus:
    """Say how a study stands to its lock, held against the log of the registry; see `lock_status`."""
    if lock is None:
        return lock_status(study, ())
    locked = read_lock(lock)
    check_sealed(registry.con, study.code, locked, lock)
    if locked and not exploratory:
        check_locked_catalogue(registry.con, locked, study)
        check_catalogue(registry.con, Kept.of(study.base.catalogue), "the lock was")
    stands = lock_status(study, locked, exploratory=exploratory)
    known = deviations(study, locked, entries(registry.con))
    return replace(stands, deviations=(*stands.deviations, *known))


def _tables(study: Study, stands: LockStatus, registry: Registry, progress: Progress | None) -> dict[str, pl.DataFrame]:
    """Every table of the study's results."""
    contract = study.contract
    statuses = {one.name: stands.status(one.name) for one in study.analyses}
    of_study = PRESPECIFIED if PRESPECIFIED in statuses.values() else EXPLORATORY
    work = Work(
        registry,
        contract,
        _compared(study, groupings(contract, study.protocol)),
        with_examiners=study.with_examiners,
        progress=progress,
        selection=study.selection,
        adjustments=study.adjustments,
    )
    try:
        made = make_tables(work, wanted_tables(study))
        _add_groups(made, study, work)
        described = described_tables(study, work, made["tallies"], of_study)
        counted = read_population(work.cohort.con)
        made |= _of_examiners(study, work)
        planned = planned_tests(study)
        rates = rates_of(work.cohort.con, study, planned) if planned else None
    finally:
        work.close()
    kept = {name: _kept(name, frame, study, statuses, of_study) for name, frame in made.items()}
    return (
        _adjusted(kept, study)
        | described
        | {
            "study_analyses": analyses_table(study, statuses),
            "study_population": population_table(study, counted, of_study),
            "study_size": size_table(study, rates, made, of_study),
        }
    )


def _compared(study: Study, known: tuple[Grouping, ...]) -> Protocol:
    """The protocol with the study's own comparisons: its paired tests, and of groups what `compared_groups` says."""
    protocol, target = study.protocol, study.selection.target
    groups = compared_groups(study, known)
    pairs = dict.fromkeys(in_order(one.tests, study) for one in study.analyses if one.kind == "paired")
    family = {target.condition: tuple(pairs)} if target is not None and pairs else {}
    comparisons = replace(protocol.comparisons, family=MappingProxyType(family), groups=MappingProxyType(groups))
    return replace(protocol, comparisons=comparisons, interventions=tuple(_interventions(study)))


def _interventions(study: Study) -> Iterator[Intervention]:
    """The interventions whose change is looked for; a lock says whether that was declared beforehand."""
    for one in study.analyses:
        if one.change is not None and study.selection.target is not None:
            condition = study.selection.target.condition
            aimed = [Aimed(condition=condition, maneuver=t, measure=m) for t in one.tests for m in one.measures]
            yield Intervention(
                code=one.name,
                title=one.name.replace("_", " "),
                kind="other",
                period=one.change.since,
                reached=Reached(roles=one.change.roles, sites=one.change.sites),
                should_change=tuple(aimed),
            )


def _add_groups(made: dict[str, pl.DataFrame], study: Study, work: Work) -> None:
    """Add the paired comparisons in groups to `comparisons` and `interactions`."""
    asked = dict.fromkeys(
        (in_order(one.tests, study), one.group_by) for one in study.analyses if one.kind == "paired" and one.group_by
    )
    for tests, group_by in asked:
        found = _in_groups(tests, str(group_by), study, work)
        for name, rows in (("comparisons", found.comparisons), ("interactions", found.interactions)):
            made[name] = conform(name, pl.concat([made[name], rows]))


def _of_examiners(study: Study, work: Work) -> dict[str, pl.DataFrame]:
    """Groups of examiners compared in several ways, where the study compares any."""
    asked = {str(one.group_by) for one in study.analyses if one.kind == "by_group"} & set(EXAMINER_GROUPS)
    if not asked or study.selection.target is None:
        return {}
    pairs = {name: work.protocol.comparisons.groups.get(name, ()) for name in asked}
    of = {study.selection.target.condition: work.once(knees)[study.selection.target.condition]}
    return group_methods(of, pairs, work.protocol.intervals.level)


def _in_groups(tests: tuple[str, str], group_by: str, study: Study, work: Work) -> GroupedComparison:
    condition = study.selection.target.condition if study.selection.target else ""
    of = work.once(knees)[condition]
    labels = [label for label in _levels(of.frame[group_by]) if label != UNKNOWN]
    pairs = [pair for pair in work.protocol.comparisons.groups.get(group_by, ()) if set(pair) <= set(labels)]
    return compare_in_groups(of, tests, group_by, labels, pairs, work.protocol)


def _levels(column: pl.Series) -> list[str]:
    """The declared groups of a column, in their order."""
    kind = column.dtype
    return kind.categories.to_list() if isinstance(kind, pl.Enum) else column.unique().sort().to_list()


def _kept(name: str, frame: pl.DataFrame, study: Study, statuses: Mapping[str, str], of_study: str) -> pl.DataFrame:
    """The rows that are declared; one that a prespecified analysis asks for is prespecified."""
    of_target = beside(name, frame, study) if name not in ("comparisons", "interactions", "agreement") else frame
    asked = [(rows_of(name, one, study), statuses[one.name]) for one in study.analyses]
    declared = [(rows, status) for rows, status in asked if rows is not None]
    if not declared:
        return of_target.with_columns(status=_status_beside(of_target, study, statuses, of_study))
    is_asked = pl.any_horizontal([rows for rows, _ in declared])
    fixed = [rows for rows, status in declared if status == PRESPECIFIED]
    is_fixed = pl.any_horizontal(fixed) if fixed else pl.lit(False)
    status = pl.when(is_fixed).then(pl.lit(PRESPECIFIED)).otherwise(pl.lit(EXPLORATORY))
    return of_target.filter(is_asked).with_columns(status=status)


def _status_beside(frame: pl.DataFrame, study: Study, statuses: Mapping[str, str], of_study: str) -> pl.Expr:
    """The status of rows beside the analyses: that of the study, and of the group where there is one."""
    if "group_by" not in frame.columns:
        return pl.lit(of_study)
    fixed = [one.group_by or OVERALL for one in study.analyses if statuses[one.name] == PRESPECIFIED]
    is_fixed = pl.col("group_by").is_in([*fixed, *([OVERALL] if fixed else [])])
    return pl.when(is_fixed).then(pl.lit(PRESPECIFIED)).otherwise(pl.lit(EXPLORATORY))


def _adjusted(tables: dict[str, pl.DataFrame], study: Study) -> dict[str, pl.DataFrame]:
    """P values of the declared family by Holm, both tables of tests together, for each correction apart.

    Differences take part, ratios repeat them and do not.
    """
    members = {"none": (), "primary": study.primary, "all": study.analyses}[study.family]
    parts = []
    for name in ("comparisons", "interactions"):
        if name in tables:
            frame = tables[name].with_row_index("row").with_columns(table=pl.lit(name))
            asked = [rows for one in members if (rows := rows_of(name, one, study)) is not None]
            is_member = pl.any_horizontal(asked) if asked else pl.lit(False)
            is_test = pl.col("contrast") == "difference" if name == "comparisons" else pl.lit(True)
            parts.append(frame.filter(is_member & is_test).select("table", "row", "adjustment", "p_value"))
    values: dict[str, list[float | None]] = {
        name: [None] * tables[name].height for name in ("comparisons", "interactions") if name in tables
    }
    for _, family in pl.concat(parts).group_by("adjustment", maintain_order=True) if parts else ():
        adjusted = holm(family["p_value"].cast(pl.Float64).fill_null(float("nan")).to_numpy())
        for (table, row), p in zip(family.select("table", "row").iter_rows(), adjusted, strict=True):
            values[table][row] = None if p != p else float(p)
    return tables | {
        name: tables[name].with_columns(pl.Series("p_adjusted", found, pl.Float64)) for name, found in values.items()
    }
