"""One maneuver for one condition: pooled figures by every adjustment, among examiners or among sites."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from examtally.analytics.examiner_effects.drawn import DrawnCells
from examtally.analytics.examiner_effects.figures import Pooled
from examtally.analytics.examiner_effects.fit import pool_counts, pool_estimates
from examtally.analytics.examiner_effects.standardised import ExaminerLogits, case_mix_logits, verified_logits
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.grouped import IntArray
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.analytics.verification_bias.terms import clear_findings

FEWEST_POOLED = 3
"""With two examiners or sites their spread would be little more than its prior."""

_DRAWS = 512


@dataclass(frozen=True)
class ExaminerCounts:
    """Verified knees of one measure, (e,) each: knees, events and participants."""

    n: IntArray
    events: IntArray
    participants: IntArray


class PooledPair:
    """The interpretable findings of one maneuver among a condition's knees, parted among `groups` groups."""

    def __init__(self, knees: ConditionKnees, maneuver: str, code: IntArray, groups: int) -> None:
        """`code` (n,) is the group of every knee of the condition, from 0."""
        self.taken, positive = clear_findings(knees.frame[f"result_{maneuver}"])
        self.positive = positive[self.taken]
        self.verified, self.present = knees.verified[self.taken], knees.present[self.taken]
        self.code, self.groups = code[self.taken], groups
        self.people = knees.frame["participant"].to_numpy()[self.taken].astype(np.int64)
        severity = [name for name in (f"severity_{knees.condition}",) if name in knees.frame.columns]
        self.frame = knees.frame.select(*knees.case_mix, *severity).filter(pl.Series(self.taken))
        self.case_mix = knees.case_mix
        self._knees, self.condition, self.maneuver = knees, knees.condition, maneuver

    @cached_property
    def counts(self) -> tuple[ExaminerCounts, ExaminerCounts]:
        """Of sensitivity and of specificity."""
        return self._counted(self.present, self.positive), self._counted(~self.present, ~self.positive)

    @property
    def is_poolable(self) -> bool:
        """Whether three groups or more have a verified knee of one class."""
        return max(int((counted.n > 0).sum()) for counted in self.counts) >= FEWEST_POOLED

    def pooled(
        self, level: float, margin: float, seed: int, drawn: DrawnCells | None = None
    ) -> Iterator[tuple[str, Pooled]]:
        """Each adjustment with its fit, as far as there is one; `drawn` has the draws of who has the condition."""
        sensitivity, specificity = self.counts
        tp, tn = sensitivity.events, specificity.events
        fp, fn = specificity.n - tn, sensitivity.n - tp
        yield "pooled", pool_counts(tp, fp, fn, tn, level=level, margin=margin, seed=seed, draws=_DRAWS)
        estimated = {
            "pooled_verification": self.corrected,
            "pooled_bias_adjusted": drawn.logits(self.maneuver) if drawn else None,
            "pooled_case_mix": self.standardised,
        }
        for name, found in estimated.items():
            if found is not None:
                pooled = pool_estimates(
                    found.logits, found.covariance,
                    common=found.common, level=level, margin=margin, seed=seed, draws=_DRAWS,
                )  # fmt: skip
                yield name, pooled

    @property
    def corrected(self) -> ExaminerLogits | None:
        """Logits corrected for who was verified; None where a class or a finding was never verified."""
        positive, present, verified = self.positive, self.present, self.verified
        seen = [verified & side for side in (present, ~present, positive, ~positive)]
        if not all(side.any() for side in seen):
            return None
        models = self._knees.fitted(self.maneuver).models
        return verified_logits(
            positive, present, verified, models.chance[self.taken], models.expected[self.taken],
            self.code, self.groups, self.people,
        )  # fmt: skip

    @property
    def standardised(self) -> ExaminerLogits:
        """Logits standardised to the case mix of all verified knees of a class.

        The severity a reading names is known of verified knees only, which are all that is standardised; one that was
        not named is a level of its own. A condition without degrees when absent leaves specificity as it is.
        """
        known = self.verified
        correct = (self.positive == self.present)[known]
        covariates = _indicators(self.frame.filter(pl.Series(known)))
        return case_mix_logits(correct, self.present[known], covariates, self.code[known], self.groups)

    def _counted(self, side: BoolArray, events: BoolArray) -> ExaminerCounts:
        inside = self.verified & side
        pairs = np.unique(self.people[inside] * self.groups + self.code[inside])
        return ExaminerCounts(
            np.bincount(self.code[inside], minlength=self.groups),
            np.bincount(self.code[inside & events], minlength=self.groups),
            np.bincount(pairs % self.groups, minlength=self.groups),
        )


def _indicators(frame: pl.DataFrame) -> FloatArray:
    """A column for each level of each variable that some knees have and others have not."""
    words = frame.select(pl.all().cast(pl.String).fill_null("unknown"))
    columns = [
        (words[name] == level).to_numpy().astype(np.float64)
        for name in words.columns
        for level in sorted(words[name].unique().to_list())[1:]
    ]
    return np.column_stack(columns) if columns else np.zeros((frame.height, 0))
