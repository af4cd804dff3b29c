"""The leading estimate of each core maneuver: its answer in words, its table, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.contracts.periods import spoken
from examtally.reporting.audit.accrual import next_figure
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.suspicion import after
from examtally.reporting.engine.numbers import (
    DASH,
    count,
    counted,
    listed,
    percent,
    percent_range,
    ratio,
    ratio_range,
)
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence

_UP = {"rules_in": "rules in", "helps": "raises", "weak": "raises somewhat"}
_DOWN = {"rules_out": "rules out", "helps": "lowers", "weak": "lowers somewhat"}
_EITHER = {"no_help": "no help", "too_early": "too early"}
_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("sensitivity", "Sensitivity\n95% CI"),
    Column("specificity", "Specificity\n95% CI"),
    Column("lr_positive", "if positive", "Likelihood ratio"),
    Column("lr_negative", "if negative", "Likelihood ratio"),
    Column("knees", "Verified of examined\nexpected to have it"),
)


@dataclass(frozen=True)
class Lead:
    """One maneuver for one condition with its row of the table `leading`, overall or of one group."""

    condition: Condition
    maneuver: Maneuver
    row: dict[str, Any]

    @property
    def name(self) -> str:
        """The maneuver, with its condition where it serves several."""
        shared = len(self.maneuver.conditions) > 1
        return f"{self.called} ({inside_sentence(self.condition.name)})" if shared else self.called

    @property
    def called(self) -> str:
        """The maneuver as it stands in a sentence."""
        return inside_sentence(self.maneuver.name)

    @property
    def has_ratios(self) -> bool:
        """Whether sensitivity and specificity can both be shown."""
        return self.row["sensitivity"] is not None and self.row["specificity"] is not None

    def span(self, side: str) -> tuple[float, float | None, float | None]:
        """The probability after a `positive` or `negative` finding, from the usual suspicion, and its limits."""
        value, low, high = (self.row[f"lr_{side}{end}"] for end in ("", "_low", "_high"))
        return (
            1.0 if value is None else after(value),
            None if low is None else after(low),
            1.0 if high is None and low is not None else None if high is None else after(high),
        )

    def said(self, side: str) -> str:
        """The same in words."""
        value, low, high = self.span(side)
        limits = percent_range(low, high)
        return f"{percent(value)} (95% CI {limits})" if limits else percent(value)


def leads(audit: Audit) -> list[Lead]:
    """The main maneuvers of every condition that a test settles, in the order of the catalogue."""
    return [
        lead
        for condition in audit.settled
        for maneuver in audit.core_maneuvers(condition)
        for lead in leads_of(audit, condition, [maneuver])
    ]


def leads_of(audit: Audit, condition: Condition, maneuvers: Sequence[Maneuver]) -> list[Lead]:
    """The rows of one condition for these maneuvers, overall."""
    rows = audit.leading
    return [
        Lead(condition, maneuver, row)
        for maneuver in maneuvers
        for row in (rows.get((condition.code, maneuver.code)),)
        if row is not None
    ]


def scope(audit: Audit) -> str:
    """What stands behind the report, in a sentence."""
    exams = audit.summed("exams")
    if not exams:
        return "The registry holds no exam yet. The report fills as records arrive."
    own = exams - audit.summed("comparison_exams")
    who = f"{counted(own, 'exam')} of «a noun» with a complaint by {counted(audit.summed('examiners'), 'examiner')}"
    if not audit.periods:
        return f"{who}."
    newest = audit.periods[-1]
    unit = "month" if "-" in newest else "period"
    return f"{who}, {counted(len(audit.periods), unit)} to {spoken(newest)}."


def answer(audit: Audit) -> list[str]:
    """What the main maneuvers of core conditions can be trusted for, and when the next figure comes."""
    if audit.summed("exams") and not audit.leading:
        return ["**No leading estimate in these results:** the analysis has to be made again, whole."]
    core = [lead for lead in leads(audit) if lead.condition.core]
    missing = [(lead.condition, lead.maneuver) for lead in core if not lead.has_ratios]
    return [*sentences(core), *filter(None, [next_figure(audit, missing)])]


def sentences(items: Sequence[Lead]) -> list[str]:
    """What these maneuvers can be trusted for, a sentence each kind of verdict."""
    parts: dict[str, list[Lead]] = {}
    for lead in items:
        for kind in _kinds(lead):
            parts.setdefault(kind, []).append(lead)
    name = _full_name if _several(items) else _called
    return [f"{words} {listed(list(map(name, parts[kind])))}." for kind, words in _ANSWERS.items() if kind in parts]


_ANSWERS = {
    "in": "**A positive finding rules the injury in:**",
    "out": "**A negative finding rules the injury out:**",
    "helps": "**Helps, but settles nothing alone:**",
    "weak": "**Moves a suspicion somewhat, settles nothing:**",
    "none": "**No help either way:**",
    "early": "**Too early to say:**",
}


def _kinds(lead: Lead) -> list[str]:
    """Under which sentences of the answer a maneuver stands."""
    up, down = lead.row["verdict_positive"], lead.row["verdict_negative"]
    kinds = [kind for kind, verdict in (("in", up == "rules_in"), ("out", down == "rules_out")) if verdict]
    if kinds:
        return kinds
    if "helps" in (up, down):
        return ["helps"]
    if "weak" in (up, down):
        return ["weak"]
    return ["none"] if (up, down) == ("no_help", "no_help") else ["early"]


def verdicts(lead: Lead) -> tuple[str, str]:
    """What a negative and what a positive finding does, in a word or two each."""
    return (_DOWN | _EITHER)[lead.row["verdict_negative"]], (_UP | _EITHER)[lead.row["verdict_positive"]]


def table_of(items: Sequence[Lead], caption: str, label: str = "", *, is_grouped: bool = True) -> str:
    """The leading figures of some maneuvers; of several conditions each under its name, or beneath the maneuver's."""
    if not items:
        return ""
    rows = [_line(lead) for lead in items]
    group = "condition" if is_grouped and _several(items) else None
    if not is_grouped:
        rows = [row | {"maneuver": f"{row['maneuver']}\n{row['condition']}"} for row in rows]
    return table(pl.DataFrame(rows), _COLUMNS, caption=caption, group=group, label=label)


def condition_part(audit: Audit, condition: Condition) -> str:
    """One condition: what counts as present, and the leading figures of every maneuver meant for it."""
    items = leads_of(audit, condition, audit.maneuvers(condition))
    if not items:
        return ""
    text = f"*Counted as present:* {condition.present_means} {knees_behind(audit, condition)}"
    return f"### {condition.name} {{#{condition.code}}}\n\n{text}\n\n{table_of(items, condition.name)}"


def knees_behind(audit: Audit, condition: Condition) -> str:
    """How many knees the model of a condition speaks of, and how many are expected to have it; empty without one."""
    model = audit.models.get(condition.code)
    if model is None:
        return ""
    return (
        f"{count(model['n'])} «nouns» with follow-up complete: {count(model['imaged'])} imaged, "
        f"{count(model['operated'])} operated on; {percent(model['prevalence'])} are expected to have it."
    )


def withheld(audit: Audit) -> list[str]:
    """Why figures of main maneuvers are withheld, a sentence each reason."""
    return reasons_of(leads(audit))


def reasons_of(items: Sequence[Lead], most: int | None = None) -> list[str]:
    """Why figures of these maneuvers are withheld, a sentence each reason, which names at most `most` conditions."""
    reasons: dict[str, list[str]] = {}
    for lead in items:
        if lead.row["reason"]:
            reasons.setdefault(lead.row["reason"].rstrip("."), []).append(inside_sentence(lead.condition.name))
    return [
        f"{reason}."
        if reason.lower().startswith(names[0].lower())
        else f"{_sentence(first_of(list(dict.fromkeys(names)), most))}: {inside_sentence(reason)}."
        for reason, names in reasons.items()
    ]


def first_of(names: Sequence[str], most: int | None) -> str:
    """The first names of a list and how many others there are; all of them without `most`.

    >>> first_of(["a", "b", "c", "d"], 2), first_of(["a", "b"], 2)
    ('a, b and 2 others', 'a and b')
    """
    if most is None or len(names) <= most:
        return listed(list(names))
    return f"{', '.join(names[:most])} and {counted(len(names) - most, 'other')}"


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


def _several(items: Sequence[Lead]) -> bool:
    return len({lead.condition.code for lead in items}) > 1


def _full_name(lead: Lead) -> str:
    return lead.name


def _called(lead: Lead) -> str:
    return lead.called


def figure_cells(row: dict[str, Any]) -> dict[str, str]:
    """Sensitivity, specificity and both ratios of a row with their limits; what is withheld or few in words."""
    hidden = "withheld" if row["basis"] == "withheld" or row["reason"] else "too few"
    shares = {
        name: f"{percent(row[name])}\n{percent_range(row[f'{name}_low'], row[f'{name}_high'])}"
        if row[name] is not None
        else hidden
        for name in ("sensitivity", "specificity")
    }
    ratios = {
        name: f"{ratio(row[name])}\n{ratio_range(row[f'{name}_low'], row[f'{name}_high'])}"
        if row[f"{name}_low"] is not None
        else DASH
        for name in ("lr_positive", "lr_negative")
    }
    return shares | ratios


def _line(lead: Lead) -> dict[str, str]:
    row = lead.row
    present, absent = (row[f"expected_{side}"] for side in ("present", "absent"))
    if present is None or absent is None:
        behind = f"{count(row['verified'])} verified\n{DASH}"
    else:
        behind = f"{count(row['verified'])} of {count(round(present + absent))}\n{count(round(present))}"
    return {
        "condition": lead.condition.name,
        "maneuver": lead.maneuver.name,
        **figure_cells(row),
        "knees": behind,
    }
