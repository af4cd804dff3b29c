"""What a reader must be told beside a figure: a code, a plain sentence, and whether a report shows the estimate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from examtally.analytics.diagnostic_accuracy.likelihood_ratios import RATIOS
from examtally.analytics.diagnostic_accuracy.measures import Figures
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS, TwoByTwo
from examtally.analytics.intervals import BoolArray, TextArray

_EMPTY: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "all": ("none_verified", "No verified «noun»."),
        "present": ("none_with_condition", "No verified «noun» with the condition."),
        "absent": ("none_without_condition", "No verified «noun» without the condition."),
        "positive": ("none_positive", "No verified «noun» with a positive finding."),
        "negative": ("none_negative", "No verified «noun» with a negative finding."),
    }
)
ONE_EXAMINER = "Fewer than two examiners: the interval speaks of no others."
_FEW_EXAMINERS = 5
_MOST_REMARKS = 63
_FINDING: Mapping[str, str] = MappingProxyType({"lr_positive": "positive", "lr_negative": "negative"})


@dataclass(frozen=True)
class Remark:
    """One thing to say, and the rows, (rows,), it is said of."""

    flag: str
    sentence: str
    applies: BoolArray


def remarks(table: TwoByTwo, figures: Figures, *, is_role: BoolArray, minimum: int) -> list[Remark]:
    """Everything to be said of these figures, the most important first.

    `is_role` marks the rows by role, `minimum` is the fewest participants an estimate is shown for.
    """
    has_knees, has_limit = _has_knees(table, figures), figures.interval != "none"
    alone = "All these «nouns» are of one person: no interval."
    half = "0.5 was added to each cell, for one of them is 0."
    wide = f"Fewer than {_FEW_EXAMINERS} examiners: the interval is wide, for it speaks of others like them too."
    few = f"Fewer than {minimum} participants: too few to estimate."
    if figures.spans_both:
        few = f"Fewer than {minimum} participants with, or without, the condition: too few to estimate."
    is_few = table.examiner.count[figures.denominator] < _FEW_EXAMINERS
    return [
        *_on_empty(table, figures),
        *_on_zero_cells(table, figures),
        Remark("not_estimable", alone, has_knees & (figures.participants < 2) & ~has_limit),
        Remark("too_few", few, has_knees & ~shows_estimate(table, figures, minimum)),
        Remark("zero_cell", half, figures.has_half & has_limit),
        Remark("few_examiners", ONE_EXAMINER, is_role & has_knees & ~figures.is_new_examiners),
        Remark("few_examiners", wide, figures.is_new_examiners & has_knees & is_few),
        *_on_all_or_none(figures),
    ]


def shows_estimate(table: TwoByTwo, figures: Figures, minimum: int) -> BoolArray:
    """Rows with enough participants in the denominator; ratios need them with and without the condition."""
    if figures.spans_both:
        return (table.participant.count["present"] >= minimum) & (table.participant.count["absent"] >= minimum)
    return figures.participants >= minimum


def in_words(said: list[Remark]) -> tuple[TextArray, TextArray]:
    """Flag of the first remark that applies and the sentences of all that do, for each row; empty where none does.

    ValueError for more remarks than a whole number has binary digits.
    """
    if len(said) > _MOST_REMARKS:
        raise ValueError(f"said: at most {_MOST_REMARKS} remarks")
    applying = np.zeros_like(said[0].applies, dtype=np.int64)  # a binary digit a remark
    for place, remark in enumerate(said):
        applying |= remark.applies.astype(np.int64) << place
    kinds, kind = np.unique(applying, return_inverse=True)
    chosen = [[remark for place, remark in enumerate(said) if digits >> place & 1] for digits in kinds.tolist()]
    flags = np.array([remarks[0].flag if remarks else "" for remarks in chosen], dtype=np.str_)
    notes = np.array([" ".join(remark.sentence for remark in remarks) for remarks in chosen], dtype=np.str_)
    return flags[kind], notes[kind]


def _sides(figures: Figures) -> tuple[str, ...]:
    return ("present", "absent") if figures.spans_both else (figures.denominator,)


def _has_knees(table: TwoByTwo, figures: Figures) -> BoolArray:
    """Rows with a knee to count, for ratios on both sides."""
    return np.asarray(np.all([table.count(DENOMINATORS[side]) > 0 for side in _sides(figures)], axis=0))


def _on_empty(table: TwoByTwo, figures: Figures) -> list[Remark]:
    """No knee to count: none at all, or none on one side of a ratio."""
    return [Remark(*_EMPTY[side], table.count(DENOMINATORS[side]) == 0) for side in _sides(figures)]


def _on_all_or_none(figures: Figures) -> list[Remark]:
    """Clustered proportions of 0 or 1: no spread from which a design effect could come."""
    if figures.spans_both:
        return []
    counted = "All or none are events: the interval counts each person, or examiner, once."
    one_sided = (figures.events == 0) | (figures.events == figures.n)
    return [Remark("all_or_none", counted, (figures.n > 0) & one_sided & figures.effective.is_clustered)]


def _on_zero_cells(table: TwoByTwo, figures: Figures) -> list[Remark]:
    """A ratio that a zero cell makes infinite, zero, or impossible to give."""
    if not figures.spans_both:
        return []
    has_both = _has_knees(table, figures)
    has_zero = (table.cells == 0).any(axis=1) & has_both
    no_limit = figures.interval == "none"
    if figures.measure not in RATIOS:
        missing = "A cell of the table is 0: nothing can be given without adding to it."
        return [Remark("zero_cell", missing, has_zero & no_limit)]
    finding = _FINDING[figures.measure]
    infinite, zero = np.isinf(figures.estimate) & has_both, (figures.estimate == 0) & has_both
    neither = np.isnan(figures.estimate) & has_both
    low, high = np.isfinite(figures.limits.low), np.isfinite(figures.limits.high)
    return [
        Remark(
            "zero_cell", f"No «noun» without the condition had a {finding} finding: the ratio is infinite.", infinite
        ),
        Remark("zero_cell", "Read its lower limit.", infinite & low),
        Remark("zero_cell", f"No «noun» with the condition had a {finding} finding: the ratio comes out as 0.", zero),
        Remark("zero_cell", "Read its upper limit.", zero & high),
        Remark("zero_cell", f"No «noun» had a {finding} finding: there is no ratio.", neither),
        Remark("zero_cell", "No interval without adding to the cell that is 0.", has_zero & no_limit & ~neither),
    ]
