"""How far examiners and sites differ, for the group; and, for the audit lead alone, each by a code drawn anew."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.audit.between_examiner_variation import (
    AS_SEEN,
    CORRECTED,
    ONE,
    Side,
    Variation,
    variation_bullets,
    variation_figure,
    variation_of,
    variation_table,
    variations,
)
from examtally.reporting.audit.shrinkage import FEWEST, OWN_FROM, Pair, Shrunk, shrinkage
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import listed
from examtally.reporting.engine.tables import Column, details, table, tabs
from examtally.reporting.engine.wording import inside_sentence

FEWEST_EXAMINERS_OF_A_SITE = 3
_GROUP_BY = {"examiners": "examiner", "sites": "site"}
_COLUMNS = (
    Column("pooled_sensitivity", "pooled", "Sensitivity"),
    Column("sensitivity", "verified «nouns» only", "Sensitivity"),
    Column("pooled_specificity", "pooled", "Specificity"),
    Column("specificity", "verified «nouns» only", "Specificity"),
    Column("known", "Verified\nof findings"),
)

ELSEWHERE = (
    "No row here is of one person. Examiners have their figures on their own sheets, and the audit lead has a copy by "
    "code; agree first who may see it."
)

TOO_FEW = "Too few examiners with verified «nouns» to say how far examiners differ: it takes three."

CAUTION = (
    "Each examiner has a code drawn anew for this report; rows stand in the order of the codes, which means nothing. "
    "*Pooled* takes chance out: the fewer the «nouns», the closer it lies to the group's figure; whom each examiner "
    "images and the errors of the reference are allowed for. *Verified «nouns» only* is what the examiner found in "
    "imaged or operated «nouns», as they were read: a handful of «nouns» looks brilliant or hopeless by chance, and it "
    "is right where every «noun» is imaged and the tests make no errors. A difference between two rows is a question, "
    "not a finding about a person. Not for grading, credentialing, pay or discipline."
)


def section(audit: Audit) -> str:
    """How far examiners and sites differ; nothing of one examiner."""
    parts = [_together(audit), ELSEWHERE, _sites(audit)]
    return "\n\n".join(part.strip("\n") for part in parts if part)


def standing_out(audit: Audit) -> str:
    """Whether examiners differ by more than chance, maneuver by maneuver, in a sentence; who does is not said."""
    found = variations(audit)
    apart = [inside_sentence(item.maneuver.name) for item in found if any(side.differs for side in item.sides)]
    if not found:
        return TOO_FEW
    if not apart:
        return "**No examiner stands out:** that all are equally good fits these data as well."
    return f"**Examiners differ by more than chance on {listed(apart)}.** Every other difference may be chance alone."


def one_by_one(audit: Audit) -> str:
    """Each examiner by code, maneuver by maneuver: for the audit lead alone."""
    panels = _panels(audit, "examiners", audit.codes)
    return f"{CAUTION}\n\n{tabs(panels)}" if panels else "No core condition has figures to show yet."


def _together(audit: Audit) -> str:
    """What can be said of all without naming one."""
    found = variations(audit)
    if not found:
        return TOO_FEW if audit.reportable else ""
    text = "**How far examiners differ, chance taken out.** Examiners differ less than their counts make it look."
    return "\n\n".join(
        [text, variation_bullets(found), variation_figure(audit, found), details("In numbers", variation_table(found))]
    )


def _sites(audit: Audit) -> str:
    """The same of sites, where the analysis could tell them apart; sites with few examiners would point at a person."""
    found = variations(audit, "sites")
    groups = [site for site in audit.groups("site") if site != "unknown"]
    large = [s for s in groups if audit.summed("examiners_by_site", s) >= FEWEST_EXAMINERS_OF_A_SITE]
    if not found:
        return ""
    names = {site: audit.group_name("site", site) for site in large}
    few = len(groups) - len(large)
    left = f" Sites with fewer than {FEWEST_EXAMINERS_OF_A_SITE} examiners ({few}) are left out below." if few else ""
    panels = _panels(audit, "sites", names) if len(large) > 1 else []
    return "\n\n".join(
        ["### Sites", f"Sites differ in whom they see and image too.{left}", variation_bullets(found), tabs(panels)]
    )


def _panels(audit: Audit, among: str, names: Mapping[str, str]) -> list[str]:
    return [
        panel
        for condition in audit.reportable
        if condition.core
        for maneuver in audit.core_maneuvers(condition)
        if (panel := _panel(audit, condition, maneuver, among, names))
    ]


def _panel(audit: Audit, condition: Condition, maneuver: Maneuver, among: str, names: Mapping[str, str]) -> str:
    group_by, one = _GROUP_BY[among], ONE[among]
    variation = variation_of(audit, condition, maneuver, among)
    sides = tuple(variation.side(measure) if variation else None for measure in BOTH)
    rows, cells = [], []
    for group, name in names.items():
        tally = audit.tally(condition.code, maneuver.code, group_by, group)
        if not tally["exams"]:
            continue
        found, cleared = (
            _shrunk(audit, side, (condition.code, maneuver.code, measure, group_by, group))
            for measure, side in zip(BOTH, sides, strict=True)
        )
        pair = Pair(name, found, cleared)
        rows.append(pair)
        cells.append(_cells(pair, tally))
    if not any(row.side(measure).raw.n for row in rows for measure in BOTH):
        return ""
    name = f"{maneuver.name}, {condition.name}"
    figure = shrinkage(
        rows,
        sides,
        f"{among}-{condition.code}-{maneuver.code}",
        caption=_caption(name, variation, one),
        alt=f"By {one}, on verified «nouns» and pooled, for {name}: " + "; ".join(_said(row) for row in rows) + ".",
    )
    columns = (Column("name", one.capitalize()), *(c for c in _COLUMNS if variation or not c.key.startswith("pooled")))
    numbers = table(pl.DataFrame(cells), columns, caption=f"{name}, by {one}")
    return f"### {maneuver.name}\n\n{figure}\n{numbers}"


def _shrunk(audit: Audit, side: Side | None, place: tuple[str, str, str, str, str]) -> Shrunk:
    """The figure as counted, and pooled the way the group's figure is."""
    pooled = audit.pooled(side.adjustment, *place) if side else Estimate.absent(place[2])
    return Shrunk(audit.estimate(*place), pooled)


def _cells(pair: Pair, tally: Mapping[str, int]) -> dict[str, str]:
    return {
        "name": pair.name,
        "sensitivity": pair.sensitivity.raw.cell,
        "pooled_sensitivity": pair.sensitivity.cell,
        "specificity": pair.specificity.raw.cell,
        "pooled_specificity": pair.specificity.cell,
        "known": f"{tally['verified']}\nof {tally['interpretable']}",
    }


def _caption(name: str, variation: Variation | None, one: str) -> str:
    order = "the codes" if one == "examiner" else "the sites"
    text = f"{name}: verified «nouns» only (gray ring), in the order of {order}."
    if variation is not None:
        how = {side.adjustment for side in variation.sides}
        aim = ", the leading way" if how == {CORRECTED} else ", verified «nouns» only" if how == {AS_SEEN} else ""
        text += (
            f" Beneath, pooled{aim} (color); hollow and thin with fewer than {OWN_FROM} patients behind it, "
            f"when it is mostly the group's figure; none with fewer than {FEWEST}. Dashes: the group. Band: where a "
            f"new {one} would be expected."
        )
    return f"{text} Not a ranking."


def _said(row: Pair) -> str:
    return f"{row.name} sensitivity {row.sensitivity.spoken}; specificity {row.specificity.spoken}"
