"""What a maneuver's findings can be ordered by: its grade, its measure, the end point, pain, or each of its signs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.analytics.verification_bias.terms import clear_findings
from examtally.contracts.catalogue.clinical import Maneuver

END_POINTS = ("firm", "soft", "absent")
_UNITS = {"mm": "mm", "deg": "degrees", "cm": "cm"}


@dataclass(frozen=True)
class Level:
    """One value of a scale: its code, the catalogue's words for it, and the rule that begins with it."""

    value: float
    code: str
    label: str
    rule: str


@dataclass(frozen=True)
class Scale:
    """Values of one maneuver on the verified knees of a condition, (n,), NaN where not recorded.

    `levels` are its values in order, empty for a measure; `is_ordered` tells whether a higher one means more, otherwise
    each is a rule of its own. `left_out` says in a sentence which findings have no value.
    """

    name: str
    value: FloatArray
    levels: tuple[Level, ...]
    is_ordered: bool
    left_out: str


class Findings:
    """The findings of one maneuver among the verified knees of a condition, in the order of those knees."""

    def __init__(self, knees: ConditionKnees, maneuver: Maneuver, recorded: pl.DataFrame | None) -> None:
        """`recorded` are the rows of the graded frame of this maneuver; None where it has none."""
        frame = knees.frame.filter(pl.Series(knees.verified))
        clear, positive = clear_findings(frame[f"result_{maneuver.code}"])
        self.maneuver = maneuver
        self.positive = positive[clear]
        self.present: BoolArray = knees.present[knees.verified][clear]
        self.person = frame["participant"].to_numpy()[clear]
        taken = frame.select("place").filter(pl.Series(clear))
        if recorded is None:
            recorded = pl.DataFrame(schema={"place": pl.UInt32})
        self._frame = taken.join(recorded, on="place", how="left", maintain_order="left")

    def scales(self) -> Iterator[Scale]:
        """Every scale of the maneuver that has a value."""
        made = (self._grade(), self._measure(), self._side_difference(), self._end_point(), self._pain(), self._sign())
        yield from (scale for scale in made if scale is not None and not np.isnan(scale.value).all())

    def _grade(self) -> Scale | None:
        grades = self.maneuver.grades
        if not grades:
            return None
        value = self._number("grade")
        bare = np.isnan(value)
        said = _ungraded(int((bare & self.positive).sum()))
        if self._bare_is_zero(bare):
            value = np.where(bare & ~self.positive, 0.0, value)
            said = (
                f"A negative finding without a grade stands for grade 0. {said}"
                if (bare & ~self.positive).any()
                else said
            )
        elif bare.any():
            said = f"Findings without a grade are left out: {int(bare.sum())}."
        levels = [
            Level(float(grade), str(grade), label, f"grade {grade} or more" if grade else "any grade")
            for grade, label in grades.items()
        ]
        return Scale("grade", value, tuple(levels), True, said)

    def _bare_is_zero(self, bare: BoolArray) -> bool:
        """Whether a negative finding without a grade is read as 0: if that is nearer to how positives are graded."""
        if self.positive.all() or not bare.any():
            return False
        graded_positive = float((~bare[self.positive]).mean()) if self.positive.any() else 1.0
        graded_negative = float((~bare[~self.positive]).mean())
        return 1 - graded_positive <= abs(graded_positive - graded_negative)

    def _measure(self) -> Scale | None:
        if self.maneuver.unit is None:
            return None
        return self._measured("measure", self._number("measure"))

    def _side_difference(self) -> Scale | None:
        """Against the other knee: the measure itself where the maneuver is defined so, else measured on both knees."""
        if self.maneuver.unit is None:
            return None
        own = self._number("measure")
        if not self.maneuver.compared_with_other_side:
            return self._measured("side_difference", own - self._number("other_measure"))
        normal = self._column("other_is_normal", pl.Boolean).fill_null(value=False).to_numpy()
        return self._measured("side_difference", np.where(normal, own, np.nan))

    def _measured(self, name: str, value: FloatArray) -> Scale:
        missing = int(np.isnan(value).sum())
        return Scale(name, value, (), True, f"Findings without a measure are left out: {missing}." if missing else "")

    def _end_point(self) -> Scale | None:
        words = ("any end point", "end point soft or absent", "end point absent")
        levels = [Level(float(i), code, code, words[i]) for i, code in enumerate(END_POINTS)]
        return self._coded("end_point", levels, is_ordered=True)

    def _pain(self) -> Scale | None:
        levels = [
            Level(0.0, "no", "no pain", "pain or not"),
            Level(1.0, "yes", "reproduced the pain", "pain reproduced"),
        ]
        return self._coded("pain", levels, is_ordered=True)

    def _sign(self) -> Scale | None:
        levels = [Level(0.0, "none", "negative finding", "no sign")]
        levels += [Level(float(i), sign, sign, f"sign: {sign}") for i, sign in enumerate(self.maneuver.signs, 1)]
        negative: Mapping[str, float] = {level.code: level.value for level in levels}
        text = self._column("sign", pl.String)
        value = text.replace_strict(negative, default=None, return_dtype=pl.Float64).to_numpy().astype(np.float64)
        if np.isnan(value[self.positive]).all():
            return None
        value = np.where(self.positive, value, 0.0)
        missing = int(np.isnan(value).sum())
        said = f"Positive findings without a sign are left out: {missing}." if missing else ""
        return Scale("sign", value, tuple(levels), False, said)

    def _coded(self, name: str, levels: list[Level], *, is_ordered: bool) -> Scale | None:
        places = {level.code: level.value for level in levels}
        text = self._column(name, pl.String)
        value = text.replace_strict(places, default=None, return_dtype=pl.Float64).to_numpy().astype(np.float64)
        missing = int(np.isnan(value).sum())
        word = name.replace("_", " ")
        said = f"Findings of which {word} was not recorded are left out: {missing}." if missing else ""
        return Scale(name, value, tuple(levels), is_ordered, said)

    def _number(self, name: str) -> FloatArray:
        return self._column(name, pl.Float64).to_numpy().astype(np.float64)

    def _column(self, name: str, dtype: pl.DataType | type[pl.DataType]) -> pl.Series:
        if name not in self._frame.columns:
            return pl.Series(name, [None] * self._frame.height, dtype)
        return self._frame[name].cast(dtype)


def unit_words(maneuver: Maneuver, threshold: float) -> str:
    """The rule of a measured threshold in words."""
    return f"{threshold:g} {_UNITS.get(maneuver.unit or '', '')} or more".replace("  ", " ")


def _ungraded(positives: int) -> str:
    return f"Positive findings without a grade are left out: {positives}." if positives else ""
