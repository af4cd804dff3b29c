"""What to practise: at most three maneuvers that stand out from chance, with how each is done."""

from __future__ import annotations

from dataclasses import dataclass

from examtally.contracts.clinical import Maneuver
from examtally.reporting.audit import BOTH
from examtally.reporting.numbers import percent, percent_range
from examtally.reporting.sheets.sheet import Sheet
from examtally.reporting.wording import inside_sentence

MOST = 3
PROBABLE = 0.8
AGREED = 0.8
NOTHING = "Nothing stands out from chance."


@dataclass(frozen=True)
class Advice:
    """A maneuver with the reason it is on the list, and how strongly it stands out (0 to 1)."""

    maneuver: Maneuver
    reason: str
    strength: float


def advice(sheet: Sheet) -> tuple[Advice, ...]:
    """At most three core maneuvers, the strongest reason of each, strongest first.

    A pooled probability of at least 80% of lying below the group's figure by more than the declared margin; or
    agreement with supervisors under 80% where its interval lies wholly under it, ten people or more behind it.
    """
    found: dict[str, Advice] = {}
    for item in (*_below(sheet), *_apart(sheet)):
        known = found.get(item.maneuver.code)
        if known is None or item.strength > known.strength:
            found[item.maneuver.code] = item
    return tuple(sorted(found.values(), key=lambda item: (-item.strength, item.maneuver.code))[:MOST])


def practise(sheet: Sheet) -> str:
    """The list with technique and cautions, or the sentence that nothing stands out."""
    items = advice(sheet)
    if not items:
        return NOTHING
    return "\n\n".join(_told(item) for item in items)


def _below(sheet: Sheet) -> list[Advice]:
    margin = percent(sheet.audit.protocol.examiners.margin)
    found = []
    for own in sheet.own:
        if own.measure not in BOTH or own.shrunk.pooled.participants < sheet.audit.min_participants:
            continue
        probability = sheet.probability_below(own.condition.code, own.maneuver.code, own.measure)
        if probability is not None and probability >= PROBABLE:
            reason = (
                f"With {percent(probability)} probability your {own.measure} for "
                f"{inside_sentence(own.condition.name)} lies more than {margin} (of 100 knees) below the group's, "
                "chance and whom you image allowed for."
            )
            found.append(Advice(own.maneuver, reason, probability))
    return found


def _apart(sheet: Sheet) -> list[Advice]:
    rows = sheet.agreement("examiner_supervisor").filter(statistic="observed_agreement")
    found = []
    for row in rows.iter_rows(named=True):
        maneuver = sheet.audit.catalogue.maneuvers[row["maneuver"]]
        is_core = maneuver.code in sheet.audit.protocol.core
        if not is_core or row["participants"] < sheet.audit.min_participants or row["ci_high"] is None:
            continue
        if row["ci_high"] < AGREED:
            reason = (
                f"You and a supervisor wrote the same in {percent(row['estimate'])} of {row['pairs']} pairs of exams "
                f"(interval {percent_range(row['ci_low'], row['ci_high'])}, wholly under {percent(AGREED)}). "
                "The supervisor is not the truth: look at the knee together."
            )
            found.append(Advice(maneuver, reason, PROBABLE + (AGREED - row["ci_high"]) * (1 - PROBABLE)))
    return found


def _told(item: Advice) -> str:
    cautions = "\n".join(f"- {caution}" for caution in item.maneuver.cautions)
    how = f"*How it is done:* {item.maneuver.technique}"
    return "\n\n".join(part for part in (f"### {item.maneuver.name}", item.reason, how, cautions) if part)
