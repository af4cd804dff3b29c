"""How often two examiners of one knee wrote the same, whoever was right: agreement and AC1."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.numbers import coefficient, count, counted, listed, percent, percent_range
from examtally.reporting.engine.tables import Column, details, download, table, tabs
from examtally.reporting.engine.wording import inside_sentence

_NO_PAIRS = "No «noun» was examined by two people within the days allowed, so nothing can be said about agreement."
_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("agreement", "Agreement"),
    Column("ac1", "AC1"),
    Column("pairs", "Pairs of exams"),
)
_TITLES = {
    "overall": "Any two examiners",
    "learner_supervisor": "Learner and supervisor",
    "same_examiner": "One examiner twice",
}
_MEANINGS = {
    "overall": "Every «noun» that two different people examined, whoever they were.",
    "learner_supervisor": "A learner beside a supervisor, on the same «noun». The supervisor is not the truth.",
    "same_examiner": (
        "The same person on the same «noun» on another day: how steady one pair of hands is. The «noun» may have "
        "changed in between, and the first finding may be remembered."
    ),
}
PAIRS_CAUTION = (
    "Two codes side by side, drawn for this report; only pairs with enough people. Low agreement says that two people "
    "do something differently, not which of them is right."
)


@dataclass(frozen=True)
class Agreed:
    """Agreement of one maneuver in one group."""

    observed: float | None
    observed_low: float | None
    observed_high: float | None
    ac1: float | None
    ac1_low: float | None
    ac1_high: float | None
    pairs: int
    participants: int
    unknown: int
    is_enough: bool

    @property
    def agreement_cell(self) -> str:
        """Observed agreement as a table has it."""
        if not self.is_enough:
            return "too few"
        return f"{percent(self.observed)}\n{percent_range(self.observed_low, self.observed_high)}"

    @property
    def ac1_cell(self) -> str:
        """AC1 as a table has it; a dash where only one result was ever recorded."""
        if not self.is_enough:
            return ""
        limits = ""
        if self.ac1_low is not None and self.ac1_high is not None:
            limits = f"{coefficient(self.ac1_low)} to {coefficient(self.ac1_high)}"
        return f"{coefficient(self.ac1)}\n{limits}"

    @property
    def pairs_cell(self) -> str:
        """Pairs and the people behind them."""
        return f"{count(self.pairs)}\n{counted(self.participants, 'person', 'people')}"


def section(audit: Audit) -> str:
    """Everything about agreement that the analysis has."""
    if not _maneuvers(audit, "overall") and not _maneuvers(audit, "same_examiner"):
        return _NO_PAIRS
    panels = [text for group_by in _TITLES if (text := _panel(audit, group_by))]
    parts = [_example(audit), _unknown(audit), tabs(panels), _unsettled(audit)]
    return "\n\n".join(part.strip("\n") for part in parts if part)


def agreed(audit: Audit, maneuver: str, group_by: str, group: str = "all") -> Agreed | None:
    """Agreement of one maneuver in one group; None where there is no pair."""
    rows = audit.table("agreement").filter(maneuver=maneuver, group_by=group_by, group=group)
    by_name = {row["statistic"]: row for row in rows.iter_rows(named=True)}
    observed = by_name.get("observed_agreement")
    if observed is None or not observed["pairs"]:
        return None
    return Agreed(
        *_figure(observed),
        *_figure(by_name.get("gwet_ac1")),
        observed["pairs"],
        observed["participants"],
        observed["pairs_unknown"],
        observed["participants"] >= audit.min_participants,
    )


def _figure(row: Mapping[str, Any] | None) -> tuple[float | None, float | None, float | None]:
    """Estimate and limits of a row."""
    return (row["estimate"], row["ci_low"], row["ci_high"]) if row else (None, None, None)


def _panel(audit: Audit, group_by: str) -> str:
    """One kind of pairs: core maneuvers, the others under a fold."""
    found = _maneuvers(audit, group_by)
    core = [item for item in found if item.code in audit.protocol.core]
    rest = [item for item in found if item not in core]
    if not found:
        return ""
    title = _TITLES[group_by]
    parts = [f"### {title}", _MEANINGS[group_by]]
    behind = [seen for item in found if (seen := agreed(audit, item.code, group_by))]
    if not any(seen.is_enough for seen in behind):
        most = counted(max(seen.pairs for seen in behind), "pair")
        return "\n\n".join([*parts, f"So far at most {most} a maneuver: too few people for a figure."])
    if core:
        parts.append(_table(audit, core, group_by, f"{title}: core maneuvers"))
    if rest:
        name = f"The other maneuvers ({len(rest)})"
        parts.append(details(name, _table(audit, rest, group_by, f"{title}: other maneuvers")))
    parts.append(_download(audit, group_by))
    return "\n\n".join(parts)


def _table(audit: Audit, maneuvers: Sequence[Maneuver], group_by: str, caption: str) -> str:
    rows = [_row(_named(audit, item), found) for item in maneuvers if (found := agreed(audit, item.code, group_by))]
    level = percent(audit.protocol.intervals.level)
    return table(pl.DataFrame(rows), _COLUMNS, caption=f"{caption}, {level} interval beneath")


def _row(name: str, found: Agreed) -> dict[str, str]:
    return {"maneuver": name, "agreement": found.agreement_cell, "ac1": found.ac1_cell, "pairs": found.pairs_cell}


def _named(audit: Audit, maneuver: Maneuver) -> str:
    """The name, with a word beneath where no test settles what the maneuver is for."""
    unsettled = {condition.code for condition in audit.unsettled}
    if maneuver.conditions and unsettled.issuperset(maneuver.conditions):
        return f"{maneuver.name}\nno test settles what it is for"
    return maneuver.name


def _maneuvers(audit: Audit, group_by: str) -> list[Maneuver]:
    """Maneuvers with a pair of this kind, in catalogue order."""
    found = set(audit.table("agreement").filter(pl.col("pairs") > 0, group_by=group_by)["maneuver"].to_list())
    return [item for item in audit.catalogue.maneuvers.values() if item.code in found]


def examiner_pairs(audit: Audit) -> str:
    """Core maneuvers by pairs of examiners, in the order of their codes: for the audit lead alone."""
    rows = audit.table("agreement").filter(group_by="examiner_pair")
    names = {group: _pair_name(audit, group) for group in rows["group"].unique().to_list()}
    cells = [
        {"pair": names[group], **_row(maneuver.name, found)}
        for group in sorted(names, key=names.__getitem__)
        for maneuver in audit.catalogue.maneuvers.values()
        if maneuver.code in audit.protocol.core
        and (found := agreed(audit, maneuver.code, "examiner_pair", group)) is not None
        and found.is_enough
    ]
    if not cells:
        return "No two examiners have examined enough of the same people."
    text = table(pl.DataFrame(cells), _COLUMNS, caption="Pairs of examiners: core maneuvers", group="pair")
    return f"{PAIRS_CAUTION}\n\n{text}"


def _pair_name(audit: Audit, group: str) -> str:
    return " and ".join(sorted(audit.codes[examiner] for examiner in group.split("/")))


def _example(audit: Audit) -> str:
    """The two figures of one maneuver of this clinic beside each other, the one whose two tell the most apart."""
    known = [
        (item, found)
        for item in _maneuvers(audit, "overall")
        if item.code in audit.protocol.core
        and (found := agreed(audit, item.code, "overall")) is not None
        and found.is_enough
        and found.ac1 is not None
        and found.observed is not None
    ]
    if not known:
        return ""
    item, found = max(known, key=lambda pair: (pair[1].observed or 0.0) - (pair[1].ac1 or 0.0))
    return (
        f"Here, for example, two examiners wrote the same of {inside_sentence(item.name)} in {percent(found.observed)} "
        f"of {counted(found.pairs, 'pair')}; with chance taken off, AC1 is {coefficient(found.ac1)}."
    )


def _unknown(audit: Audit) -> str:
    """How often it is unrecorded whether an examiner knew the other's findings."""
    kinds = [found for item in _maneuvers(audit, "overall") if (found := agreed(audit, item.code, "overall"))]
    most = max((found.unknown for found in kinds), default=0)
    text = (
        f"Exams at most {counted(audit.protocol.agreement.max_days, 'day')} apart make a pair, once for any two "
        "examiners of a complaint. An exam by someone who knew the other's findings is left out."
    )
    if not most:
        return text
    return (
        f"{text} Of up to {counted(most, 'pair')} a maneuver it is not recorded whether they knew: these count, and "
        "may make agreement look better than it is."
    )


def _unsettled(audit: Audit) -> str:
    """The sentence on maneuvers that no test can judge: agreement is all there is of them."""
    seen = partial(agreed, audit, group_by="overall")
    conditions = [
        condition
        for condition in audit.unsettled
        if condition.unsettled_note and any(seen(item.code) for item in audit.maneuvers(condition))
    ]
    if not conditions:
        return ""
    names = listed([inside_sentence(condition.name) for condition in conditions])
    note = " ".join(dict.fromkeys(condition.unsettled_note or "" for condition in conditions))
    return f"Maneuvers for {names}: {inside_sentence(note)}"


def _download(audit: Audit, group_by: str) -> str:
    figures = audit.table("agreement").filter(pl.col("participants") >= audit.min_participants, group_by=group_by)
    columns = ("maneuver", "statistic", "estimate", "ci_low", "ci_high", "pairs", "participants", "note")
    return download(figures.select(columns), f"agreement-{group_by}") if figures.height else ""
