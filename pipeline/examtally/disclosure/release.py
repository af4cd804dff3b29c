"""From the results of an analysis to what may go out."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

import polars as pl

from examtally.disclosure.checker import leaks
from examtally.disclosure.figures import FIGURES, counts_table
from examtally.disclosure.folder import Release, about_release
from examtally.disclosure.hiding import Hiding, hide
from examtally.disclosure.sides import counts_of
from examtally.errors import DisclosureError, ResultsError
from examtally.results import Results

FEWEST_EXAMINERS = 3
FEWEST_APPROVED = 50
_OF_EXAMINERS = ("role", "setting")
_ROLE = re.compile(r"[a-z][a-z-]*( [a-z][a-z-]*){0,4}")
_LONGEST_REASON = 240


@dataclass(frozen=True)
class Approval:
    """Who allowed the table of everybody to be shown with its small counts (a role, no name), and why.

    Raises DisclosureError where the role is not one to five words in small letters or the reason no plain sentence.
    """

    role: str
    reason: str

    def __post_init__(self) -> None:
        if not _ROLE.fullmatch(self.role):
            raise DisclosureError("who approved must be a role of one to five words in small letters, never a name")
        if not self.reason.strip() or len(self.reason) > _LONGEST_REASON or not self.reason.isprintable():
            raise DisclosureError(f"the reason must be one line of at most {_LONGEST_REASON} printable characters")


def release(results: Results, *, earlier: Collection[Release] = (), approval: Approval | None = None) -> Release:
    """Make a release of `results`, with `earlier` releases of the registry taken as known.

    Hidden are sides of 2x2 tables with a count of 1 to 10 participants, or one that differs from an earlier release by
    1 to 10, or with fewer than three examiners behind the group; complementary sides; and every figure made of them.
    Rows about persons never go out. With an `approval` the table of everybody (50 participants or more) is shown whole,
    and none of its groups. Raises ResultsError where the results lack a table, DisclosureError where the checker can
    work out a hidden count; nothing is made then.
    """
    missing = [name for name in ("tallies", "accuracy") if name not in results.tables]
    if missing:
        raise ResultsError(f"the results lack {', '.join(missing)}; analyze again without --only")
    hiding = hide(
        counts_of(results.tallies),
        earlier=[other.shown for other in earlier],
        few_examiners=_few_examiners(results),
        approved_from=None if approval is None else FEWEST_APPROVED,
    )
    figures = {name: make(results.tables[name], hiding) for name, make in FIGURES.items() if name in results.tables}
    made = Release(
        about_release(
            results.provenance.registry,
            results.provenance.protocol_hash,
            analysis_status=results.protocol.analysis_status,
            approved=[[row.condition, row.maneuver, row.group_by, row.group] for row in sorted(hiding.approved)],
        ),
        counts_table(hiding.shown()),
        figures,
        _log(hiding, results, approval),
    )
    found = leaks(made, earlier)
    if found:
        raise DisclosureError(
            f"the release would give back {len(found)} hidden counts, first: {found[0]}; nothing was written"
        )
    return made


def _few_examiners(results: Results) -> set[tuple[str, str]]:
    """Groups by role or setting behind which fewer than three examiners stand, or nobody knows how many."""
    summary = results.tables.get("cohort_summary")
    known = (
        {}
        if summary is None
        else {(line["item"], line["group"]): line["value"] or 0 for line in summary.iter_rows(named=True)}
    )
    groups = results.tallies.filter(pl.col("group_by").is_in(_OF_EXAMINERS)).select("group_by", "group").unique()
    return {
        (group_by, group)
        for group_by, group in groups.sort("group_by", "group").iter_rows()
        if known.get((f"examiners_by_{group_by}", group), 0) < FEWEST_EXAMINERS
    }


def _log(hiding: Hiding, results: Results, approval: Approval | None) -> pl.DataFrame:
    """What was hidden and why, one side a line; then whole tables that never go out; then what was approved."""
    schema = dict.fromkeys(("table", "condition", "maneuver", "group_by", "group", "what", "why"), pl.String())
    hidden = [
        ("counts", side.row.condition, side.row.maneuver, side.row.group_by, side.row.group, side.name, why)
        for side, why in sorted(hiding.reasons.items())
    ]
    tables = [
        (name, None, None, None, None, "the table", "it is not among the tables of a release")
        for name in sorted(results.tables)
        if name not in FIGURES and name != "tallies"
    ]
    approved = [
        (
            *("counts", row.condition, row.maneuver, row.group_by, row.group, "small counts shown"),
            f"approved by {approval.role}: {approval.reason}",
        )
        for row in sorted(hiding.approved)
        if approval is not None
    ]
    return pl.DataFrame([*hidden, *tables, *approved], schema=schema, orient="row")
