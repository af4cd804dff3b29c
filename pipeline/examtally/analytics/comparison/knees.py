"""The knees of one condition that two maneuvers, or one in two groups, are compared on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from examtally.analytics.comparison.contrast import Contrast, corrected_contrast
from examtally.analytics.comparison.examiner_clusters import ExaminerContrast, contrast_examiners
from examtally.analytics.comparison.joint import PAIRED, UNPAIRED, Joint, group_kind, paired_kind
from examtally.analytics.comparison.stacked import A, B, Stacked
from examtally.analytics.diagnostic_accuracy.clustering import margin
from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.aipw import augmented
from examtally.analytics.verification_bias.corrected import is_inside
from examtally.analytics.verification_bias.counts import obstacle
from examtally.analytics.verification_bias.grouped import Grouped, IntArray
from examtally.analytics.verification_bias.knees import ConditionKnees, Fitted
from examtally.analytics.verification_bias.pair import VERIFIED_NEGATIVE, WITH, WITHOUT
from examtally.analytics.verification_bias.terms import clear_findings


@dataclass(frozen=True)
class Side:
    """One of the two tables: which of the knees compared stand in it, what was found in them, and their models."""

    inside: BoolArray
    positive: BoolArray
    fitted: Fitted | None

    def contributions(self, taken: BoolArray, present: BoolArray, verified: BoolArray) -> FloatArray:
        """What each knee adds to tp, fp, fn, tn, corrected for verification, (n, 4)."""
        if self.fitted is None:
            raise ValueError("there are no models for this side")
        models = self.fitted.models
        found = augmented(self.positive, present, verified, models.chance[taken], models.expected[taken])
        return np.where(self.inside[:, None], found, 0.0)


@dataclass(frozen=True)
class Compared:
    """Two tables over the `taken` knees of a condition: arrays (n,) of those knees; `grouped` holds their people."""

    knees: ConditionKnees
    taken: BoolArray
    present: BoolArray
    verified: BoolArray
    grouped: Grouped
    sides: tuple[Side, Side]
    margins: FloatArray

    @classmethod
    def maneuvers(cls, knees: ConditionKnees, maneuver_a: str, maneuver_b: str) -> Compared:
        """Two maneuvers on the knees in which both gave a clear finding."""
        (clear_a, positive_a), (clear_b, positive_b) = (
            clear_findings(knees.frame[f"result_{m}"]) for m in (maneuver_a, maneuver_b)
        )
        taken = clear_a & clear_b
        everywhere = np.ones(int(taken.sum()), dtype=bool)
        found = [positive[taken] for positive in (positive_a, positive_b)]
        return cls._of(knees, taken, [everywhere, everywhere], found, (maneuver_a, maneuver_b), PAIRED)

    @classmethod
    def groups(cls, knees: ConditionKnees, maneuver: str, group_by: str, groups: tuple[str, str]) -> Compared:
        """One maneuver in two groups of exams."""
        clear, positive = clear_findings(knees.frame[f"result_{maneuver}"])
        member = [knees.frame[group_by].eq_missing(name).to_numpy() for name in groups]
        taken = clear & (member[0] | member[1])
        inside, positive = [one[taken] for one in member], positive[taken]
        return cls._of(knees, taken, inside, [positive, positive], (maneuver, maneuver), UNPAIRED)

    @classmethod
    def _of(
        cls,
        knees: ConditionKnees,
        taken: BoolArray,
        inside: list[BoolArray],
        found: list[BoolArray],
        maneuvers: tuple[str, str],
        margins: FloatArray,
    ) -> Compared:
        present, verified = knees.present[taken], knees.verified[taken]
        enough = all(not _shortage(found[i][inside[i]], present[inside[i]], verified[inside[i]]) for i in range(2))
        fitted = [knees.fitted(maneuver) if enough else None for maneuver in maneuvers]
        sides = (Side(inside[0], found[0], fitted[0]), Side(inside[1], found[1], fitted[1]))
        grouped = Grouped.of(knees.frame["participant"].to_numpy()[taken])
        return cls(knees, taken, present, verified, grouped, sides, margins)

    @property
    def shortage(self) -> str:
        """Why no corrected figure is given, in a sentence; empty where one is."""
        said = [_shortage(s.positive[s.inside], self.present[s.inside], self.verified[s.inside]) for s in self.sides]
        return said[0] or said[1]

    def verified_joint(self, code: IntArray | None = None, size: int = 1) -> Joint:
        """Counts of the verified knees, in groups where `code` (all knees of the condition) parts them."""
        seen = self.verified
        one, other = self.sides
        kind = (
            paired_kind(one.positive, other.positive, self.present)
            if self.margins is PAIRED
            else group_kind(one.positive, self.present, other.inside)
        )
        grouped = Grouped.of(self.grouped.cluster[seen])
        if code is not None:
            grouped = grouped.by(code[self.taken][seen], size)
        return Joint.of(grouped, kind[seen], self.margins)

    def corrected(self, pairs: Iterable[tuple[str, str]], level: float) -> Mapping[tuple[str, str], Contrast]:
        """Contrasts (measure, contrast) corrected for verification; NaN where verified knees alone give 0 or 1."""
        rows = np.hstack([side.contributions(self.taken, self.present, self.verified) for side in self.sides])
        table = Stacked(self.grouped.sums(rows), self.grouped.products(rows))
        observed = self.verified_joint().stacked.cells
        clusters = self.grouped.clusters()
        made: dict[tuple[str, str], Contrast] = {}
        for measure, contrast in pairs:
            inside = is_inside(observed[:, A], measure) & is_inside(observed[:, B], measure)
            usable = np.where(inside[:, None], table.cells, np.nan)
            made[measure, contrast] = corrected_contrast(
                Stacked(usable, table.products), clusters, measure, contrast, level
            )
        return made

    def examiner_contrast(self, measure: str, *, is_corrected: bool) -> ExaminerContrast:
        """The two groups' difference with examiners as clusters, on verified knees or corrected for verification."""
        events, knees = self.examiner_sums(measure, is_corrected=is_corrected)
        return contrast_examiners(events, knees, self._independent(measure) if is_corrected else None)

    def examiner_sums(
        self, measure: str, *, is_corrected: bool
    ) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
        """Events and knees of every examiner, (examiners,) a group."""
        examiner = self.knees.frame["examiner"].to_numpy()[self.taken]
        found: list[FloatArray] = []
        knees: list[FloatArray] = []
        for side in self.sides:
            _, own = np.unique(examiner[side.inside], return_inverse=True)
            for sums, added in zip((found, knees), self._added(side, measure, is_corrected=is_corrected), strict=True):
                sums.append(np.bincount(own, weights=added).astype(np.float64))
        return (found[0], found[1]), (knees[0], knees[1])

    def examiner_differences(self, measure: str, group: BoolArray) -> tuple[FloatArray, FloatArray, float]:
        """What the first maneuver has over the second in the verified knees of a `group` (n,) that a measure counts.

        By examiner, (examiners,): right findings of the first less those of the second, and knees; then the variance of
        the mean difference were knees independent, with one knee added in which either alone is right.

        Source: Bonett DG, Price RM. J Educ Behav Stat 2012;37(4):479–488, eq. 6 (the variance).
        """
        counted = self.verified & (self.present == (measure == "sensitivity")) & group
        one, other = (side.positive[counted] == (measure == "sensitivity") for side in self.sides)
        _, own = np.unique(self.knees.frame["examiner"].to_numpy()[self.taken][counted], return_inverse=True)
        n = own.size + 2
        alone = ((one & ~other).sum() + 1) / n, ((other & ~one).sum() + 1) / n
        variance = (sum(alone) - (alone[0] - alone[1]) ** 2) / n
        differences = np.bincount(own, weights=one.astype(np.float64) - other).astype(np.float64)
        return differences, np.bincount(own).astype(np.float64), float(variance)

    def _independent(self, measure: str) -> float:
        """Variance of the two groups' corrected difference were every knee independent, by its influence function."""
        variance = 0.0
        for side in self.sides:
            events, knees = self._added(side, measure, is_corrected=True)
            total = knees.sum()
            variance += ((events - events.sum() / total * knees) ** 2).sum() / total**2 if total else np.nan
        return variance

    def _added(self, side: Side, measure: str, *, is_corrected: bool) -> tuple[FloatArray, FloatArray]:
        """What each knee inside a side adds to the events and to the knees of a measure."""
        events, denominator = PROPORTIONS[measure]
        added = side.contributions(self.taken, self.present, self.verified) if is_corrected else self._seen(side)
        inside = added[side.inside]
        return inside @ margin(events), inside @ margin(DENOMINATORS[denominator])

    def _seen(self, side: Side) -> FloatArray:
        """What each verified knee of a side adds to tp, fp, fn, tn, (n, 4)."""
        cell = 2 * ~side.positive + ~self.present
        added: FloatArray = np.eye(4)[cell] * (side.inside & self.verified)[:, None]
        return added


def _shortage(positive: BoolArray, present: BoolArray, verified: BoolArray) -> str:
    """Why the doubly robust estimator is not used, in a sentence; empty where it is."""
    said = obstacle(positive.sum(), (positive & verified).sum(), (~positive).sum(), (~positive & verified).sum())
    if said:
        return said
    counted = ((present & verified).sum(), (~present & verified).sum(), (~positive & verified).sum())
    if all(count >= least for count, least in zip(counted, (WITH, WITHOUT, VERIFIED_NEGATIVE), strict=True)):
        return ""
    return (
        f"Too few verified «nouns» for the models: {WITH} with, {WITHOUT} without the condition and "
        f"{VERIFIED_NEGATIVE} negative ones are needed on either side."
    )
