"""The ratios of a card: our own where enough people are proven, otherwise the published range and what is missing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from examtally.contracts.catalogue.clinical import Condition, Maneuver, Published
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.suspicion import after, post_test_cell
from examtally.reporting.engine.estimate import Estimate, Span
from examtally.reporting.engine.numbers import DASH, percent, percent_range, ratio, ratio_range

FEWEST = 30
"""Participants with a verified knee that has the condition, and as many without, before a ratio of our own is given."""

MOST = 6
"""Maneuvers on one card, so that it stays one page."""

RATIOS = ("lr_positive", "lr_negative")
CORRECTED = "corrected for who was imaged"
BY_ITSELF = "corrected for who was imaged, by its own finding alone"
UNCORRECTED = "imaged knees as they are, not corrected"


@dataclass(frozen=True)
class RatioLine:
    """One maneuver of a card.

    `own` holds our two ratios, None where too few people are proven; `correction` says how they are corrected for who
    was verified. `published` holds, by ratio, the lowest and highest that publications come to, None where none
    gives both sensitivity and specificity. `present` and `absent` are verified knees, `people` the participants.
    """

    maneuver: Maneuver
    own: tuple[Estimate, Estimate] | None
    correction: str
    published: tuple[Span, Span] | None
    present: int
    absent: int
    people: tuple[int, int]
    sources: tuple[str, ...]

    def cells(self, finding: int, suspicions: Sequence[float]) -> list[str]:
        """The ratio of a positive (0) or negative (1) finding, then what each suspicion becomes, limits beneath."""
        if self.own is not None:
            estimate = self.own[finding]
            return [estimate.pair, *(post_test_cell(estimate, before) for before in suspicions)]
        if self.published is None:
            return [DASH] * (1 + len(suspicions))
        low, high = self.published[finding]
        spans = ((after(low, before), after(high, before)) for before in suspicions)
        return [_range(low, high), *(_percents(*span) for span in spans)]


def lines_of(audit: Audit, condition: Condition) -> list[RatioLine]:
    """Each core maneuver, or the one proven most where there is none; others with ratios of our own while they fit."""
    core = tuple(item for item in audit.maneuvers(condition) if item.code in audit.protocol.core)
    first = [_line(audit, condition, item) for item in core or audit.core_maneuvers(condition)]
    named = {line.maneuver.code for line in first}
    rest = [_line(audit, condition, item) for item in audit.maneuvers(condition) if item.code not in named]
    room = max(MOST - len(first), 0)
    return first + [line for line in rest if line.own is not None][:room]


def needed(audit: Audit) -> int:
    """People with the condition, and without, before a ratio of our own is given: never under what reports show."""
    return max(FEWEST, audit.min_participants)


def published_ratios(rows: Iterable[Published]) -> tuple[Span, Span] | None:
    """The range of both likelihood ratios over publications that give both figures; None where none does.

    LR+ is sensitivity over 1 less specificity, LR- is 1 less sensitivity over specificity; an infinite one is left out.
    """
    pairs = [(row.sensitivity, row.specificity) for row in rows if row.sensitivity and row.specificity]
    up = [sensitivity / (1 - specificity) for sensitivity, specificity in pairs if sensitivity and specificity < 1]
    down = [(1 - sensitivity) / specificity for sensitivity, specificity in pairs if sensitivity and specificity]
    return ((min(up), max(up)), (min(down), max(down))) if up and down else None


def _line(audit: Audit, condition: Condition, maneuver: Maneuver) -> RatioLine:
    tally = audit.tally(condition.code, maneuver.code)
    people = (tally["participants_present"], tally["participants_absent"])
    found = [row for row in maneuver.published if row.condition == condition.code]
    is_enough = min(people) >= needed(audit)
    own, correction = _own(audit, condition.code, maneuver.code) if is_enough else (None, "")
    return RatioLine(
        maneuver,
        own,
        correction,
        published_ratios(found),
        tally["tp"] + tally["fn"],
        tally["fp"] + tally["tn"],
        people,
        tuple(dict.fromkeys(row.cited for row in found if row.sensitivity and row.specificity)),
    )


def _own(audit: Audit, condition: str, maneuver: str) -> tuple[tuple[Estimate, Estimate] | None, str]:
    """Both ratios, corrected where the correction gives both, and how they are corrected."""
    corrected, seen = (
        tuple(read(condition, maneuver, name) for name in RATIOS) for read in (audit.corrected, audit.estimate)
    )
    if all(estimate.is_usable for estimate in corrected):
        is_by_itself = any(estimate.flag == "too_few_verified" for estimate in corrected)
        return (corrected[0], corrected[1]), BY_ITSELF if is_by_itself else CORRECTED
    return ((seen[0], seen[1]), UNCORRECTED) if all(estimate.shown for estimate in seen) else (None, "")


def _range(low: float, high: float) -> str:
    return ratio(low) if ratio(low) == ratio(high) else ratio_range(low, high)


def _percents(low: float, high: float) -> str:
    return percent(low) if percent(low) == percent(high) else percent_range(low, high)
