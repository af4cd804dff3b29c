"""From the results of an analysis to what may go out; releases, bundles and summaries of a site all come from here."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, field

import polars as pl

from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.results import personal_groups
from examtally.disclosure.checker import leaks
from examtally.disclosure.figures import FIGURES, counts_table
from examtally.disclosure.folder import Release, about_release
from examtally.disclosure.ledger import Shown, conditions_before, too_close
from examtally.disclosure.selection import Rules, Selection, select
from examtally.disclosure.tables import CELLS, Row, Table, tables_of
from examtally.errors import DisclosureError, ResultsError
from examtally.results import Results

FEWEST_EXAMINERS = 3
CLOSE = "a table of nearly the same people went out before; the two together would tell of the few between them"
_OF_EXAMINERS = ("role", "setting")
_NEVER = ("same_examiner", "site", "period")
_ROLE = re.compile(r"[a-z][a-z-]*( [a-z][a-z-]*){0,4}")
_LONGEST_REASON = 240


@dataclass(frozen=True)
class Scope:
    """What a release is for: the groupings it shows beside everybody, and the tables of figures.

    `made_of` names the maneuvers of the catalogue behind each test that goes by a code of its own.
    """

    groupings: tuple[str, ...]
    tables: tuple[str, ...]
    made_of: Mapping[str, frozenset[str]] = field(default_factory=dict)

    @property
    def allowed(self) -> tuple[str, ...]:
        """Everybody, and the groupings without those of persons, places and periods, which never go out."""
        never = {"overall", *personal_groups(), *_NEVER}
        return ("overall", *(name for name in self.groupings if name not in never))

    def rows(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The rows of a result table that are of these groupings."""
        return frame.filter(pl.col("group_by").is_in(self.allowed)) if "group_by" in frame.columns else frame


AUDIT = Scope(("role", "acuity", "sex", "age_band"), ("accuracy", "comparisons", "agreement", "examiner_spread"))
"""How accurate each maneuver is in this group's hands, for whoever compares, pools or teaches: everybody, and the few
groupings that readers ask for."""


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


@dataclass(frozen=True, eq=False)
class Made:
    """A release with what only the ledger keeps: the counts with the most knees that are somebody's further ones."""

    release: Release
    shown: Shown


def make(
    results: Results, scope: Scope = AUDIT, *, earlier: Sequence[Shown] = (), approval: Approval | None = None
) -> Made:
    """Choose what of `results` goes out, with what went out before taken as known.

    A 2x2 table goes out whole, every count 11 people or more, or leaves no trace; one condition a maneuver; a table of
    nearly the same people as one that went out, from the same records, is left out. With an `approval` tables of
    everybody may show small counts, 50 people or more, and none of their groups. Raises ResultsError where the results
    lack a table. What is made must still pass `check`.
    """
    missing = [name for name in ("tallies", "accuracy") if name not in results.tables]
    if missing:
        raise ResultsError(f"the results lack {', '.join(missing)}; analyze again without --only")
    records = results.provenance.registry
    tables = tables_of(scope.rows(results.tallies))
    rules = Rules(
        conditions=_conditions(tables, _catalogue(results)),
        earlier=conditions_before(earlier),
        made_of=scope.made_of,
        few_examiners=_few_examiners(results),
        is_approved=approval is not None,
    )
    chosen = select(tables, rules)
    known = [before for before in earlier if before.records == records]
    shown = _shown(records, chosen, scope)
    close = {row.whole for before in known for row in too_close(shown, before)}
    chosen = chosen.without(close, CLOSE)
    figures = {
        name: FIGURES[name].make(scope.rows(results.tables[name]), chosen)
        for name in scope.tables
        if name in results.tables
    }
    about = about_release(
        records,
        results.provenance.protocol_hash,
        catalogue={name: what for name, what in results.provenance.catalogue.items() if name != "local"},
        analysis_status=results.protocol.analysis_status,
        approved=[[row.condition, row.maneuver, row.group_by, row.group] for row in sorted(chosen.approved)],
    )
    log = pl.DataFrame(
        list(_log(chosen, figures, results, scope, approval)),
        schema=dict.fromkeys(("table", "condition", "maneuver", "group_by", "group", "what", "why"), pl.String()),
        orient="row",
    )
    return Made(Release(about, counts_table(chosen), figures, log), _shown(records, chosen, scope))


def check(made: Made, results: Results, earlier: Sequence[Shown] = ()) -> None:
    """Raise DisclosureError where the release may not go out.

    It may not where the records changed since another and fewer than 11 people lie between them in any count, whatever
    that count is, nor where the checker can work out something that is hidden.
    """
    changed = [before for before in earlier if before.records != made.shown.records]
    if any(too_close(made.shown, before) for before in changed):
        raise DisclosureError(
            "the records changed since an earlier release, and fewer than 11 people were added to some counts: the "
            "two together would tell of them. Release again from the results of that time, or wait until every count "
            "has 11 people more; nothing was written"
        )
    parts = {code: one.derived_from for code, one in _catalogue(results).conditions.items()}
    try:
        found = leaks(made.release, earlier, parts)
    except ValueError as fault:
        raise DisclosureError(f"the tables cannot be released: {fault}; analyze again") from None
    if found:
        raise DisclosureError(
            f"{len(found)} things that are hidden could be worked out, first: {found[0]}; nothing was written. Leave "
            "that grouping out (in a study: of the protocol), or release again when 11 people more stand behind it"
        )


def _catalogue(results: Results) -> Catalogue:
    return results.contract.catalogue


def _conditions(tables: Mapping[Row, Table], catalogue: Catalogue) -> dict[str, list[str]]:
    """The conditions of every maneuver that was counted, as the catalogue orders them for it or, else, at all."""
    order = list(catalogue.conditions)
    found: dict[str, list[str]] = {}
    for row in (row for row in tables if row == row.whole):
        found.setdefault(row.maneuver, []).append(row.condition)
    return {
        maneuver: sorted(conditions, key=[*_own(maneuver, catalogue), *order].index)
        for maneuver, conditions in found.items()
    }


def _own(maneuver: str, catalogue: Catalogue) -> tuple[str, ...]:
    return catalogue.maneuvers[maneuver].conditions if maneuver in catalogue.maneuvers else ()


def _few_examiners(results: Results) -> set[tuple[str, str]]:
    """Groups by role or setting behind which fewer than three examiners stand, or nobody knows how many."""
    summary = results.tables.get("cohort_summary", pl.DataFrame())
    known = {(line["item"], line["group"]): line["value"] or 0 for line in summary.iter_rows(named=True)}
    groups = results.tallies.filter(pl.col("group_by").is_in(_OF_EXAMINERS)).select("group_by", "group").unique()
    return {
        (group_by, group)
        for group_by, group in groups.sort("group_by", "group").iter_rows()
        if known.get((f"examiners_by_{group_by}", group), 0) < FEWEST_EXAMINERS
    }


def _shown(records: str, chosen: Selection, scope: Scope) -> Shown:
    counts = {row: {cell: table.knees[cell] for cell in CELLS} for row, table in chosen.tables.items()}
    again = {row: max(table.again.values()) // 2 for row, table in chosen.tables.items()}
    tests = {row.maneuver for row in counts}
    return Shown(records, counts, again, {code: of for code, of in scope.made_of.items() if code in tests})


def _log(
    chosen: Selection, figures: Mapping[str, pl.DataFrame], results: Results, scope: Scope, approval: Approval | None
) -> Iterator[tuple[str | None, ...]]:
    """What went out and what did not, and why: every 2x2 table, then every table of figures, then every other table."""
    for row in sorted({*chosen.tables, *chosen.left_out}):
        what, why = "released", "every count stands for 11 people or more, and so do those it gives with others"
        if row in chosen.left_out:
            what, why = "left out", chosen.left_out[row]
        elif row in chosen.approved and approval is not None:
            what, why = "released with small counts", f"approved by {approval.role}: {approval.reason}"
        yield ("counts", *astuple(row), what, why)
    groupings = sorted(set(results.tallies["group_by"]) - set(scope.allowed))
    for name in groupings:
        yield (
            "counts",
            None,
            None,
            name,
            None,
            "left out",
            "no reader of this release needs it, or it tells of persons",
        )
    for name in sorted(results.tables):
        if name in figures:
            rows, of = figures[name].height, results.tables[name].height
            yield (name, None, None, None, None, f"released: {rows} of {of} rows", FIGURES[name].rule)
        elif name != "tallies":
            yield (name, None, None, None, None, "left out", "it is not among the tables of this release")
