"""Two maneuvers against each other, and several as one test, by the draws of who has the condition."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.figures import Summary, measures, summaries
from examtally.analytics.bias_adjusted.leading import held_back, needs, standing, withheld_of
from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel
from examtally.analytics.bias_adjusted.tabulate import ALL, OVERALL, Members, tabulate
from examtally.analytics.comparison.contrast import COMPARED, DIFFERENCE, contrasts_of
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.test_combinations.combinations import RULES
from examtally.analytics.verification_bias.terms import clear_findings
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform

COMBINED = ("sensitivity", "specificity", "lr_positive", "lr_negative")
_NOTHING = Summary(None, None, None)
_UNDEFINED = "Undefined in some draws."
_PAIR = ("condition", "maneuver_a", "maneuver_b", "group_by", "group", "measure", "contrast")
_SET = ("condition", "rule", "maneuvers", "measure")


@dataclass(frozen=True)
class _Findings:
    """Clear findings of a condition's own maneuvers: (n,) each, by maneuver in catalogue order."""

    model: ConditionModel
    maneuvers: tuple[str, ...]
    clear: Mapping[str, BoolArray]
    positive: Mapping[str, BoolArray]

    @classmethod
    def of(cls, model: ConditionModel, contract: Contract) -> _Findings:
        frame = model.knees.frame
        own = tuple(m for code, m in contract.catalogue.pairs if code == model.knees.condition)
        found = {m: clear_findings(frame[f"result_{m}"]) for m in own}
        return cls(model, own, *({m: each[place] for m, each in found.items()} for place in range(2)))

    def members(self, name: str, clear: BoolArray, positive: BoolArray) -> Members:
        """Knees with a clear finding as those of one test."""
        return Members.of(self.model.knees, self.model.draws.chance, name, clear, positive)


def with_bias_adjusted_comparisons(
    comparisons: pl.DataFrame, models: BiasModels, contract: Contract, protocol: Protocol
) -> pl.DataFrame:
    """Return the table `comparisons` with the rows `bias_adjusted`; they carry the counts of the verified knees.

    Estimates are medians, limits percentiles of the draws of the difference or ratio: of the same knees and statuses
    for both maneuvers. A measure that is withheld for one of the two has no values. No test is made.
    """
    rows = [
        row for model in models.fitted.values() for row in _compared(_Findings.of(model, contract), contract, protocol)
    ]
    values = ("estimate_a", "estimate_b", "difference", "ci_low", "ci_high")
    made = pl.DataFrame(rows, schema=_schema(comparisons, (*_PAIR, *values, "flag", "note")))
    kept = comparisons.filter(pl.col("adjustment") == "none").drop(
        *values, "adjustment", "test", "statistic", "p_value", "p_adjusted", "flag", "note"
    )
    joined = made.join(kept, on=_PAIR, how="inner").with_columns(
        adjustment=pl.lit("bias_adjusted"), test=pl.lit("none")
    )
    return conform("comparisons", pl.concat([comparisons, joined], how="diagonal"))


def with_bias_adjusted_combinations(
    table: pl.DataFrame, models: BiasModels, contract: Contract, protocol: Protocol
) -> pl.DataFrame:
    """Return the table `combinations` with the rows `bias_adjusted`; they carry the counts of the verified knees."""
    rows = [
        row for model in models.fitted.values() for row in _combined(_Findings.of(model, contract), contract, protocol)
    ]
    values = ("estimate", "ci_low", "ci_high", "interval", "flag", "note")
    made = pl.DataFrame(rows, schema=_schema(table, (*_SET, *values)))
    kept = table.filter(pl.col("adjustment") == "none").drop(*values, "if_independent", "adjustment")
    joined = made.join(kept, on=_SET, how="inner").with_columns(adjustment=pl.lit("bias_adjusted"))
    return conform("combinations", pl.concat([table, joined], how="diagonal"))


def _schema(table: pl.DataFrame, names: tuple[str, ...]) -> dict[str, pl.DataType]:
    return {name: table.schema[name] for name in names}


def _compared(found: _Findings, contract: Contract, protocol: Protocol) -> Iterator[dict[str, object]]:
    """Rows of every two maneuvers, on the knees in which both gave a clear finding."""
    pairs = list(combinations(found.maneuvers, 2))
    chosen = [found.members(m, found.clear[a] & found.clear[b], found.positive[m]) for a, b in pairs for m in (a, b)]
    drawn = measures(tabulate(found.model.draws, chosen))
    whole, level = held_back(found.model, contract), protocol.intervals.level
    single = {measure: summaries(drawn[measure], level) for measure in COMPARED}
    contrasted = {
        (measure, contrast): summaries(_contrast(drawn[measure], contrast), level)
        for measure in COMPARED
        for contrast in contrasts_of(measure)
    }
    for place, (a, b) in enumerate(pairs):
        sides = (2 * place, 2 * place + 1)
        why: dict[str, str] = {}
        for side in sides:
            why |= withheld_of(
                chosen[side], {name: one[side] for name, one in single.items()}, drawn["prevalence"][side], whole
            )
        for (measure, contrast), values in contrasted.items():
            key = dict(zip(_PAIR, (found.model.knees.condition, a, b, OVERALL, ALL, measure, contrast), strict=True))
            reason = _reason(measure, why, values[place])
            one, other, value = (
                (_NOTHING,) * 3 if reason else (*(single[measure][side] for side in sides), values[place])
            )
            yield key | {
                "estimate_a": one.estimate,
                "estimate_b": other.estimate,
                "difference": value.estimate,
                "ci_low": value.low,
                "ci_high": value.high,
                "flag": "withheld" if reason else standing(found.model, protocol),
                "note": reason,
            }


def _contrast(values: FloatArray, contrast: str) -> FloatArray:
    """Draws of a - b or a / b from those of a and b in turn."""
    one, other = values[::2], values[1::2]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(one - other if contrast == DIFFERENCE else one / other)


def _combined(found: _Findings, contract: Contract, protocol: Protocol) -> Iterator[dict[str, object]]:
    """Rows of every set of maneuvers under every rule, on the knees in which each gave a clear finding."""
    chosen = []
    for size in range(2, protocol.modelling.max_combined + 1):
        for some in combinations(found.maneuvers, size):
            clear = np.asarray(np.array([found.clear[m] for m in some]).all(axis=0))
            every = np.array([found.positive[m] for m in some])
            for rule in RULES:
                positive = np.asarray(every.any(axis=0) if rule == "any_of" else every.all(axis=0))
                chosen.append((rule, ", ".join(some), found.members("", clear, positive)))
    cells = tabulate(found.model.draws, [each for _, _, each in chosen])
    drawn, whole = measures(cells), held_back(found.model, contract)
    summed = {measure: summaries(drawn[measure], protocol.intervals.level) for measure in COMBINED}
    for place, (rule, names, each) in enumerate(chosen):
        figures = {measure: values[place] for measure, values in summed.items()}
        why = withheld_of(each, figures, drawn["prevalence"][place], whole)
        for measure, value in figures.items():
            reason = _reason(measure, why, value)
            shown = _NOTHING if reason else value
            yield dict(zip(_SET, (found.model.knees.condition, rule, names, measure), strict=True)) | {
                "estimate": shown.estimate,
                "ci_low": shown.low,
                "ci_high": shown.high,
                "interval": "none" if reason else "percentile",
                "flag": "withheld" if reason else standing(found.model, protocol),
                "note": reason,
            }


def _reason(measure: str, why: Mapping[str, str], value: Summary) -> str | None:
    """Why nothing is said of a measure; None where something is."""
    said = [sentence for name, sentence in why.items() if name in needs(measure)]
    if said:
        return " ".join(dict.fromkeys(said))
    return _UNDEFINED if value.estimate is None else None
