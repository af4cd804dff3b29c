"""The first screen: what this clinic's exam can and cannot be said to do, in sentences computed from the figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.accrual import accrual_table
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.suspicion import (
    BEFORE,
    after,
    is_told_apart,
    limits_after,
    post_test_cell,
    post_test_text,
)
from examtally.reporting.audit.verification import NAMED, UNCORRECTED, Verified
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import counted, listed, percent
from examtally.reporting.engine.tables import Column, details, table
from examtally.reporting.engine.wording import inside_sentence

LIKELY = 0.5  # a finding that lifts the suspicion beyond this, whole interval, makes the condition likelier than not
UNLIKELY = 0.1  # one that brings it under this, whole interval, makes it unlikely
_OVER = f"A suspicion of {percent(BEFORE)} becomes"
_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("up", "if positive", _OVER),
    Column("down", "if negative", _OVER),
    Column("found", "Sensitivity\npositive, of knees with it"),
    Column("cleared", "Specificity\nnegative, of knees without"),
)
_MEASURES = ("sensitivity", "specificity", "lr_positive", "lr_negative")
_RATIOS = _MEASURES[2:]

_EARLY = (
    "Who is examined and by whom, how completely exams are recorded, and how the records came in: the tables further "
    "down hold from the first exam on."
)


@dataclass(frozen=True)
class CoreFigures:
    """A main maneuver of a condition with the four figures of the first screen."""

    condition: Condition
    maneuver: Maneuver
    seen: Mapping[str, Estimate]
    corrected: Mapping[str, Estimate]

    @property
    def sensitivity(self) -> Estimate:
        """Sensitivity in known knees."""
        return self.seen["sensitivity"]

    @property
    def specificity(self) -> Estimate:
        """Specificity in known knees."""
        return self.seen["specificity"]

    @property
    def up(self) -> Estimate:
        """The likelihood ratio of a positive finding in known knees."""
        return self.seen["lr_positive"]

    @property
    def down(self) -> Estimate:
        """The likelihood ratio of a negative finding in known knees."""
        return self.seen["lr_negative"]

    def both(self, measure: str) -> tuple[Estimate, ...]:
        """A ratio as seen and, where it can be shown, corrected."""
        seen, corrected = self.seen[measure], self.corrected[measure]
        return (seen, corrected) if corrected.shown and corrected.value is not None else (seen,)

    @property
    def is_whole(self) -> bool:
        """Whether sensitivity and specificity can both be shown."""
        return self.sensitivity.is_usable and self.specificity.is_usable


def core_figures(audit: Audit) -> list[CoreFigures]:
    """The main maneuvers of every settled condition, in catalogue order."""
    return [
        CoreFigures(
            condition,
            maneuver,
            {measure: audit.estimate(condition.code, maneuver.code, measure) for measure in _MEASURES},
            {measure: audit.corrected(condition.code, maneuver.code, measure) for measure in _MEASURES},
        )
        for condition in audit.settled
        for maneuver in audit.core_maneuvers(condition)
    ]


def scope(audit: Audit) -> str:
    """What stands behind the report."""
    exams = audit.summed("exams")
    if not exams:
        return "The registry holds no exam yet, so nothing can be said. The report fills as records arrive."
    people = counted(audit.summed("participants"), "person", "people")
    hands = counted(audit.summed("examiners"), "examiner")
    periods = audit.periods
    when = f", {periods[0]} to {periods[-1]}" if len(periods) > 1 else f", {periods[0]}" if periods else ""
    return (
        f"{counted(exams, 'exam')} of {counted(audit.summed('knees'), 'knee')} in {people}, by {hands}{when}. "
        f"{counted(audit.summed('index_exams'), 'exam')} can count toward accuracy: the first eligible one of each "
        "complaint."
    )


def summary_table(audit: Audit) -> str:
    """The table of the first screen: main maneuvers of core conditions; those of the others under a fold."""
    whole = [item for item in core_figures(audit) if item.is_whole]
    first = [item for item in whole if item.condition.core] or whole
    rest = [item for item in whole if item not in first]
    if not first:
        waiting = [(item.condition, item.maneuver) for item in core_figures(audit) if item.condition.core]
        return accrual_table(audit, waiting, caption="On the way to the first figures") if audit.summed("exams") else ""
    level = percent(audit.protocol.intervals.level)
    how = "beneath each, corrected for who was imaged" if audit.is_corrected else "not corrected for who was imaged"
    text = _table(first, f"Main maneuvers in knees whose answer is known, {level} interval; {how}")
    if rest:
        text += details(f"The main maneuvers of other conditions ({len(rest)})", _table(rest, "Other main maneuvers"))
    return text


def can_be_said(audit: Audit) -> list[str]:
    """What the figures support, one sentence each."""
    whole = [item for item in core_figures(audit) if item.is_whole]
    if not whole:
        return [_EARLY] if audit.summed("exams") else []
    up, down = (sum(_informs(item, ratio) for item in whole) for ratio in _RATIOS)
    likely = [item for item in whole if all((limits_after(r)[0] or 0.0) > LIKELY for r in item.both("lr_positive"))]
    unlikely = [item for item in whole if all((limits_after(r)[1] or 1.0) < UNLIKELY for r in item.both("lr_negative"))]
    either = ", as seen and as corrected" if audit.is_corrected else ""
    sentences = [
        f"Of {counted(len(whole), 'main maneuver')} with enough knees, a positive finding carries information in {up}, "
        f"a negative one in {down}{either}."
    ]
    if likely:
        sentences.append(
            f"A positive finding turns a suspicion of {percent(BEFORE)} into likelier than not: {_names(likely)}."
        )
    if unlikely:
        sentences.append(
            f"A negative finding brings a suspicion of {percent(BEFORE)} under {percent(UNLIKELY)}: {_names(unlikely)}."
        )
    return sentences


def cannot_be_said(audit: Audit) -> list[str]:
    """What the figures do not support, one sentence each."""
    items = core_figures(audit)
    whole = [item for item in items if item.is_whole]
    sentences = [
        f"That a {how} finding tells anything (the interval of its likelihood ratio includes 1): {_names(silent)}."
        for how, silent in (
            ("positive", [item for item in whole if item.up.shown and not _informs(item, "lr_positive")]),
            ("negative", [item for item in whole if item.down.shown and not _informs(item, "lr_negative")]),
        )
        if silent
    ]
    negative = [item for item in whole if item.down.value is not None]
    if negative:
        lowest = min(negative, key=lambda item: after(item.down.value or 0.0))
        sentences.append(
            f"That a negative finding rules anything out: the least that one main maneuver leaves of a suspicion of "
            f"{percent(BEFORE)} is {' and corrected '.join(map(post_test_text, lowest.both('lr_negative')))}."
        )
    sentences += _unimaged(audit, whole)
    sentences += _waiting(items)
    if audit.unsettled:
        names = listed([inside_sentence(condition.name) for condition in audit.unsettled])
        sentences.append(f"Who is right about {names}: no test settles these diagnoses.")
    return sentences


def _table(items: Sequence[CoreFigures], caption: str) -> str:
    rows = []
    for item in items:
        rows.append(_row(f"{item.maneuver.name}\n{item.condition.name}", item.seen, with_counts=True))
        if any(figure.is_usable for figure in item.corrected.values()):
            rows.append(_row("corrected", item.corrected, with_counts=False))
    return table(pl.DataFrame(rows), _COLUMNS, caption=caption)


def _row(heading: str, figures: Mapping[str, Estimate], *, with_counts: bool) -> dict[str, str]:
    return {
        "maneuver": heading,
        "up": post_test_cell(figures["lr_positive"]),
        "down": post_test_cell(figures["lr_negative"]),
        "found": figures["sensitivity"].cell if with_counts else figures["sensitivity"].pair,
        "cleared": figures["specificity"].cell if with_counts else figures["specificity"].pair,
    }


def _informs(item: CoreFigures, ratio: str) -> bool:
    return all(is_told_apart(estimate) for estimate in item.both(ratio))


def _names(items: Sequence[CoreFigures]) -> str:
    """Maneuvers by name, with the condition where one maneuver serves several."""
    return "; ".join(
        f"{item.maneuver.name} ({inside_sentence(item.condition.name)})"
        if len(item.maneuver.conditions) > 1
        else item.maneuver.name
        for item in items
    )


def _unimaged(audit: Audit, whole: Sequence[CoreFigures]) -> list[str]:
    """What is not known of knees without an answer: all of it, or what stands on the assumption of the correction."""
    if not audit.is_corrected:
        is_flattered = any(_errs_upward(audit, item) for item in whole)
        return [f"How accurate the exam is in knees that nobody imaged. {UNCORRECTED}"] if is_flattered else []
    text = f"How accurate the exam is in knees that nobody imaged, unless it is true {NAMED}."
    for item in whole:
        bounds = audit.bounds(item.condition.code, item.maneuver.code, "sensitivity")
        if bounds is not None:
            low, high = bounds
            anything = f"anything from {percent(low)} to {percent(high)}"
            return [f"{text} If not, sensitivity could be {anything} ({item.maneuver.name})."]
    return [text]


def _errs_upward(audit: Audit, item: CoreFigures) -> bool:
    difference = Verified.of(audit.tally(item.condition.code, item.maneuver.code)).difference
    return difference is None or difference > 0


def _waiting(items: Sequence[CoreFigures]) -> list[str]:
    """Conditions none of whose main maneuvers can be shown."""
    told = {item.condition.code for item in items if item.is_whole}
    names = [inside_sentence(item.condition.name) for item in items if item.condition.code not in told]
    if not told:
        return ["How accurate any maneuver is: too few people with a known answer yet."]
    if not names:
        return []
    return [
        f"Anything yet on {'; '.join(dict.fromkeys(names))}: too few people, see [Too early to say](#too-early-to-say)."
    ]
