"""How far examiners, or sites, differ once chance is taken out, and where a new one would be expected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl
from scipy.special import expit, logit

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.audit.forest import Row, forest
from examtally.reporting.engine.estimate import Estimate, Span
from examtally.reporting.engine.numbers import listed, percent
from examtally.reporting.engine.tables import Column, download, table

CORRECTED, AS_SEEN = "pooled_bias_adjusted", "pooled"
FEW = 5  # examiners below which the range for a new one rests much on the prior
_NONE = 0.05  # spread of the logits under which it is as good as none
ONE = {"examiners": "examiner", "sites": "site"}
_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("mean", "Group"),
    Column("new", "A new one expected"),
    Column("typical", "Two in three lie"),
    Column("number", "Behind it"),
)


@dataclass(frozen=True)
class Side:
    """One measure of one maneuver among examiners or sites; a range is None where there is none to give."""

    measure: str
    adjustment: str
    mean: Estimate
    number: int
    new: Span | None
    sd: float | None
    sd_low: float | None

    @classmethod
    def of(cls, row: Mapping[str, Any], seen: Estimate) -> Side:
        """Read a row of the table `examiner_spread`, with the figure as seen for its counts."""
        mean = Estimate(
            row["measure"], row["mean"], row["ci_low"], row["ci_high"], seen.events, seen.n, seen.participants,
            seen.shown, "",
        )  # fmt: skip
        new = (row["predict_low"], row["predict_high"]) if row["predict_low"] is not None else None
        return cls(row["measure"], row["adjustment"], mean, row["examiners"], new, row["between_sd"], row["sd_low"])

    @property
    def typical(self) -> Span | None:
        """Where the middle two in three lie: one standard deviation of the logits to either side of the mean."""
        if self.sd is None or self.mean.value is None:
            return None
        centre = float(logit(self.mean.value))
        return float(expit(centre - self.sd)), float(expit(centre + self.sd))

    @property
    def differs(self) -> bool:
        """Whether these data rule out that all are alike."""
        return self.sd_low is not None and self.sd_low >= _NONE

    @property
    def expected(self) -> str:
        """Where a new one would be expected, for a sentence."""
        if self.new is None:
            return f"a {self.measure} that cannot be foretold (group {self.mean.number})"
        return f"a {self.measure} between {between(self.new)} (group {self.mean.number})"


@dataclass(frozen=True)
class Variation:
    """Both measures of one maneuver, as far as they can be shown."""

    condition: Condition
    maneuver: Maneuver
    among: str
    sides: tuple[Side, ...]

    def side(self, measure: str) -> Side | None:
        """One measure."""
        return next((side for side in self.sides if side.measure == measure), None)

    @property
    def sentence(self) -> str:
        """What a physician should take from it."""
        one = ONE[self.among]
        text = (
            f"**{self.maneuver.name}**: a new {one} from this group would be expected to have "
            f"{listed([side.expected for side in self.sides])}."
        )
        apart = [side.measure for side in self.sides if side.differs]
        if apart:
            text += f" The {self.among} do differ in {listed(apart)}."
        fewest = min(side.number for side in self.sides)
        if fewest < FEW:
            text += f" With {fewest} {self.among} the range rests much on what was assumed beforehand."
        if any(side.adjustment == AS_SEEN for side in self.sides):
            text += " From verified «nouns» only."
        return text

    @property
    def may_be_alike(self) -> bool:
        """Whether the spread could be told and that all are alike fits as well."""
        return any(side.sd is not None for side in self.sides) and not any(side.differs for side in self.sides)


def between(span: Span) -> str:
    """A range for a sentence."""
    return f"{percent(span[0])} and {percent(span[1])}"


def variation_of(audit: Audit, condition: Condition, maneuver: Maneuver, among: str = "examiners") -> Variation | None:
    """The spread of one maneuver, by the leading estimate where that is possible; None where nothing is shown."""
    rows = audit.table("examiner_spread").filter(condition=condition.code, maneuver=maneuver.code, between=among)
    sides = []
    for measure in BOTH:
        found = {row["adjustment"]: row for row in rows.filter(measure=measure).iter_rows(named=True)}
        row = found.get(CORRECTED) or found.get(AS_SEEN)
        seen = audit.estimate(condition.code, maneuver.code, measure)
        if row is not None and seen.is_usable:
            sides.append(Side.of(row, seen))
    return Variation(condition, maneuver, among, tuple(sides)) if sides else None


def variations(audit: Audit, among: str = "examiners") -> list[Variation]:
    """The spread of every main maneuver of a core condition."""
    pairs = [(c, m) for c in audit.reportable if c.core for m in audit.core_maneuvers(c)]
    return [found for pair in pairs if (found := variation_of(audit, *pair, among)) is not None]


def variation_bullets(found: list[Variation]) -> str:
    """A sentence a maneuver, as a list, and for which of them all may be alike."""
    lines = "\n".join(f"- {item.sentence}" for item in found)
    alike = [item.maneuver.name for item in found if item.may_be_alike]
    if not alike:
        return lines
    which = "each of these maneuvers" if len(alike) == len(found) > 1 else listed(alike)
    return f"{lines}\n\nThat all {found[0].among} are equally good fits these data as well for {which}."


def variation_figure(audit: Audit, found: list[Variation]) -> str:
    """The group's mean of each maneuver and the band in which a new examiner would be expected."""
    rows = [_row(item) for item in found]
    said = "; ".join(f"{item.maneuver.name} {_spoken(item)}" for item in found)
    return forest(
        rows,
        f"spread-{found[0].among}",
        caption=(
            f"The mean of {found[0].among} like these (mark, with its interval) and the band in which "
            f"{percent(audit.protocol.intervals.level)} of new {found[0].among} would be expected."
        ),
        alt=f"Mean and expected range of a new {ONE[found[0].among]}: {said}.",
    )


def variation_table(found: list[Variation]) -> str:
    """The same in numbers, with the figures to take away."""
    rows, figures = [], []
    for item in found:
        for side in item.sides:
            rows.append(
                {
                    "maneuver": f"{item.maneuver.name}\n{side.measure}",
                    "mean": side.mean.pair,
                    "new": _range(side.new),
                    "typical": _range(side.typical),
                    "number": f"{side.number} {item.among}",
                }
            )
            low, high = side.new or (None, None)
            figures.append(
                {
                    "maneuver": item.maneuver.code,
                    "measure": side.measure,
                    "adjustment": side.adjustment,
                    "mean": side.mean.value,
                    "ci_low": side.mean.low,
                    "ci_high": side.mean.high,
                    "new_low": low,
                    "new_high": high,
                    "between_sd_logit": side.sd,
                    "between": item.among,
                }
            )
    caption = f"How far {found[0].among} differ, chance taken out"
    text = table(pl.DataFrame(rows), _COLUMNS, caption=caption)
    return text + download(pl.DataFrame(figures, infer_schema_length=None), f"between-{found[0].among}")


def _row(item: Variation) -> Row:
    found, cleared = (item.side(measure) for measure in BOTH)
    return Row(
        item.maneuver.name,
        found.mean if found else Estimate.absent("sensitivity"),
        cleared.mean if cleared else Estimate.absent("specificity"),
        found.new if found else None,
        cleared.new if cleared else None,
    )


def _spoken(item: Variation) -> str:
    return " and ".join(f"{side.measure} {side.mean.spoken}, a new one {_range(side.new)}" for side in item.sides)


def _range(span: Span | None) -> str:
    return f"{percent(span[0])} to {percent(span[1])}" if span else "cannot be said"
