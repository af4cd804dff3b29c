"""What one examiner's sheet reads: own figures, and those of the others together where they are enough."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from statistics import median

import polars as pl

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.errors import ReportError
from examtally.reporting.audit.audit import BOTH, Audit, open_audit
from examtally.reporting.audit.between_examiner_variation import CORRECTED
from examtally.reporting.audit.shrinkage import Shrunk
from examtally.reporting.engine.estimate import Estimate

FEWEST_OTHERS = 5
"""Other examiners behind a figure of the others, at least."""

Place = tuple[str, str]


@dataclass(frozen=True)
class Own:
    """One measure of one core maneuver: this examiner's, as counted and pooled, and that of the others.

    `others` counts their verified knees together; `middle` is the median of their pooled figures, None under five.
    """

    condition: Condition
    maneuver: Maneuver
    measure: str
    shrunk: Shrunk
    others: Estimate | None
    middle: float | None = None

    @property
    def chance(self) -> tuple[float, float] | None:
        """Where chance alone would carry a figure of so many knees, 95 times in 100, if it were that of the others.

        Theirs is known from their knees only: beta-binomial, after Jeffreys' prior, so that all of 60 is not certainty.
        """
        if self.others is None or self.others.value is None or not self.shrunk.raw.n:
            return None
        knees = self.shrunk.raw.n
        right, wrong = self.others.events, self.others.n - self.others.events
        from scipy.stats import betabinom  # half a second to load, which other pages do without

        low, high = betabinom.ppf([0.025, 0.975], knees, right + 0.5, wrong + 0.5) / knees
        return float(low), float(high)


@dataclass(frozen=True, eq=False)
class Sheet:
    """The results of one analysis as one examiner reads them."""

    audit: Audit
    examiner: str

    @cached_property
    def own(self) -> tuple[Own, ...]:
        """Core maneuvers this examiner has verified knees of, in catalogue order, sensitivity before specificity."""
        return tuple(
            self._own(condition, maneuver, measure)
            for condition in self.audit.settled
            for maneuver in self.audit.maneuvers(condition)
            if maneuver.code in self.audit.protocol.core and self._speaks(condition, maneuver)
            for measure in BOTH
            if self.audit.tally(condition.code, maneuver.code, "examiner", self.examiner)["verified"]
        )

    @property
    def verified(self) -> int:
        """Most verified knees of this examiner for one maneuver and condition."""
        return max((own["verified"] for own in self._tallies.values()), default=0)

    @property
    def is_of_recent_periods(self) -> bool:
        """Whether the results are of the newest mature periods alone."""
        return self.audit.protocol.eligibility.last_periods > 0

    def probability_below(self, condition: str, maneuver: str, measure: str) -> float | None:
        """How probably the true figure lies below the group's by more than the margin; None where it cannot be said."""
        rows = self.audit.table("examiner_probability").filter(
            condition=condition, maneuver=maneuver, measure=measure, examiner_id=self.examiner
        )
        return None if rows.is_empty() else rows["probability_below"][0]

    def agreement(self, group_by: str) -> pl.DataFrame:
        """Rows of the agreement table under this examiner."""
        return self.audit.table("agreement").filter(group_by=group_by, group=self.examiner)

    def _own(self, condition: Condition, maneuver: Maneuver, measure: str) -> Own:
        place = (condition.code, maneuver.code, measure, "examiner", self.examiner)
        shrunk = Shrunk(self.audit.estimate(*place), self.audit.pooled(CORRECTED, *place))
        pair = (condition.code, maneuver.code, measure)
        return Own(condition, maneuver, measure, shrunk, self._others.get(pair), self._middle(*pair))

    def _middle(self, condition: str, maneuver: str, measure: str) -> float | None:
        """The median of the others' pooled figures; None where fewer than five have one."""
        others = [name for name in examiners_in(self.audit.table("tallies")) if name != self.examiner]
        found = [
            Shrunk(
                Estimate.absent(measure), self.audit.pooled(CORRECTED, condition, maneuver, measure, "examiner", one)
            )
            for one in others
        ]
        values = [one.pooled.value for one in found if one.is_given and one.pooled.value is not None]
        return median(values) if len(values) >= FEWEST_OTHERS else None

    def _speaks(self, condition: Condition, maneuver: Maneuver) -> bool:
        """Whether a maneuver speaks of the condition itself, not only of one that it is a part of."""
        return not set(condition.derived_from) & set(maneuver.conditions)

    @cached_property
    def _tallies(self) -> Mapping[Place, Mapping[str, int]]:
        rows = self.audit.table("tallies").filter(group_by="examiner", group=self.examiner).iter_rows(named=True)
        return {(row["condition"], row["maneuver"]): row for row in rows}

    @cached_property
    def _others(self) -> Mapping[tuple[str, str, str], Estimate]:
        """Figures of everybody else together; people whom two of them examined count once for each."""
        rows = self.audit.table("tallies").filter(pl.col("group") != self.examiner, group_by="examiner")
        counts = [name for name, kind in rows.schema.items() if kind.is_integer()]
        behind = rows.group_by("condition", "maneuver").agg(
            *(pl.col(name).sum() for name in counts),
            (pl.col("tp") + pl.col("fn") > 0).sum().alias("with_sensitivity"),
            (pl.col("fp") + pl.col("tn") > 0).sum().alias("with_specificity"),
        )
        if behind.is_empty():
            return {}
        summed = behind.with_columns(
            group_by=pl.lit("overall"), group=pl.lit("all"), status=pl.lit(rows["status"][0]),
            flag=pl.lit(None, pl.String), note=pl.lit(None, pl.String),
        )  # fmt: skip
        table = accuracy_table(summed.select(rows.columns), None, self.audit.contract, self.audit.protocol)
        enough = {
            (*key, measure): examiners >= FEWEST_OTHERS
            for *key, sensitivity, specificity in behind.select(
                "condition", "maneuver", "with_sensitivity", "with_specificity"
            ).iter_rows()
            for measure, examiners in zip(BOTH, (sensitivity, specificity), strict=True)
        }
        return {
            (row["condition"], row["maneuver"], row["measure"]): Estimate.of(row)
            for row in table.filter(pl.col("measure").is_in(BOTH)).iter_rows(named=True)
            if enough.get((row["condition"], row["maneuver"], row["measure"]))
        }


def open_sheet(examiner: str, results_dir: Path | str = "results", reports_dir: Path = Path()) -> Sheet:
    """Read what the cells of the sheet need. Raises ReportError where the results hold nothing of this examiner."""
    audit = open_audit(results_dir, reports_dir)
    if examiner not in examiners_in(audit.table("tallies")):
        raise ReportError(
            "the results hold no exam by that examiner; analyze with --with-examiners and use a code of its exams"
        )
    return Sheet(audit, examiner)


def examiners_in(tallies: pl.DataFrame) -> list[str]:
    """Examiners with rows of their own, sorted; none where the results were made without them."""
    return tallies.filter(group_by="examiner")["group"].unique().sort().to_list()
