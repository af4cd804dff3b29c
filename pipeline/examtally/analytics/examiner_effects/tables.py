"""The tables about examiners, and the pooled rows of the table `accuracy`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.examiner_effects.drawn import DrawnCells, drawn_cells
from examtally.analytics.examiner_effects.figures import MEASURES, Pooled, Shrunken, Spread
from examtally.analytics.examiner_effects.pair import FEWEST_POOLED, ExaminerCounts, PooledPair
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

NONE_BELOW, GROUPS_BELOW = 3, 10
"""Participants below which an examiner gets no pooled figure, and below which it is mostly the group's."""

_BETWEEN = {"examiner": "examiners", "site": "sites"}
_RESTS_ON = {
    "pooled": "Verified «nouns» only: examiners differ in whom they image.",
    "pooled_verification": "Allows for who was verified, not for the errors of the reference.",
    "pooled_bias_adjusted": "Who was imaged and the errors of the reference allowed for.",
    "pooled_case_mix": "Verified «nouns», standardised to the group's {case_mix} and severity.",
}


@dataclass(frozen=True)
class PoolingTables:
    """The tables `examiner_spread` and `examiner_probability`, and pooled rows of `accuracy`, those of persons too."""

    spread: pl.DataFrame
    probability: pl.DataFrame
    accuracy: pl.DataFrame


@dataclass
class _Rows:
    spread: list[dict[str, object]] = field(default_factory=list)
    probability: list[dict[str, object]] = field(default_factory=list)
    accuracy: list[dict[str, object]] = field(default_factory=list)


def pooling_tables(
    frame: pl.DataFrame,
    examiners: tuple[str, ...],
    contract: Contract,
    protocol: Protocol,
    status: tuple[StatusRecords, BiasModels] | None = None,
) -> PoolingTables:
    """Return the tables about examiners and sites, for every intended pair that something settles.

    `frame` is the cohort's verification frame, whose column `examiner` counts `examiners` from 1. Examiners use each
    one's own first exam of an episode, sites, where they are
    known, the episode's first. `status` has the models of who has each condition, of the same rows: probabilities of
    lying below the group, and figures by `pooled_bias_adjusted`, come from them alone.

    Source: see `pool_counts`, `pool_estimates`, `verified_logits`, `drawn_logits` and `case_mix_logits`.
    """
    rows = _Rows()
    site = frame["site"].dtype
    sites = tuple(site.categories) if isinstance(site, pl.Enum) else ()
    frame = frame.with_row_index("place")
    placed = frame.filter(pl.col("site") != "unknown")
    for condition in contract.catalogue.conditions:
        if condition not in protocol.reference.accepted or not frame.height:
            continue
        own = ConditionKnees(
            frame.with_columns(pl.lit(True).alias(f"index_{condition}")), condition, contract, protocol
        )
        first = ConditionKnees(placed, condition, contract, protocol)
        by_examiner = own.frame["examiner"].to_numpy().astype(np.int64) - 1
        by_site = first.frame["site"].to_physical().to_numpy().astype(np.int64)
        for knees, code, labels, group_by in (
            (own, by_examiner, examiners, "examiner"),
            (first, by_site, sites, "site"),
        ):
            if len(labels) < FEWEST_POOLED:
                continue
            drawn = drawn_cells(knees, code, len(labels), status, own.maneuvers, contract) if status else None
            for maneuver in own.maneuvers:
                _pool(PooledPair(knees, maneuver, code, len(labels)), drawn, labels, group_by, protocol, rows)
    return PoolingTables(
        *(
            table_of(name, found)
            for name, found in (
                ("examiner_spread", rows.spread),
                ("examiner_probability", rows.probability),
                ("accuracy", rows.accuracy),
            )
        )
    )


def _pool(
    pair: PooledPair,
    drawn: DrawnCells | None,
    labels: tuple[str, ...],
    group_by: str,
    protocol: Protocol,
    rows: _Rows,
) -> None:
    """Everything about one pair among one kind of group; nothing where fewer than three groups have a verified knee."""
    if not pair.is_poolable:
        return
    key: dict[str, object] = {"condition": pair.condition, "maneuver": pair.maneuver}
    choice = protocol.examiners
    for adjustment, pooled in pair.pooled(protocol.intervals.level, choice.margin, choice.seed, drawn):
        rests_on = _RESTS_ON[adjustment].format(case_mix=", ".join(pair.case_mix))
        note = " ".join(filter(None, (rests_on, pooled.note)))
        for measure, counts in zip(MEASURES, pair.counts, strict=True):
            each, spread = _of(pooled, measure)
            if each is None or spread is None:
                continue
            common = {**key, "measure": measure}
            between = {"adjustment": adjustment, "between": _BETWEEN[group_by], "note": note}
            rows.spread.append(common | between | _spread_row(pooled, spread))
            clinical = protocol.is_clinical(pair.condition)
            reference = {"reference": "clinical_diagnosis" if clinical else "best_available"}
            common |= {"adjustment": adjustment, "level": pooled.level} | reference
            if group_by == "examiner":
                rows.accuracy.append(common | _overall(spread, counts, note))
            rows.accuracy += [common | row for row in _each(each, counts, labels, group_by, note)]
            if group_by == "examiner" and adjustment == "pooled_bias_adjusted":
                rows.probability += [
                    {**key, "measure": measure, "margin": pooled.margin} | row
                    for row in _probabilities(each, counts, labels)
                ]


def _of(pooled: Pooled, measure: str) -> tuple[Shrunken | None, Spread | None]:
    if measure == "sensitivity":
        return pooled.sensitivity, pooled.sensitivity_spread
    return pooled.specificity, pooled.specificity_spread


def _spread_row(pooled: Pooled, spread: Spread) -> dict[str, object]:
    return {**spread.__dict__, "rung": pooled.rung, "ess": pooled.ess, "prior": str(pooled.prior)}


def _overall(spread: Spread, counts: ExaminerCounts, note: str) -> dict[str, object]:
    """The row of the group's mean, which speaks of examiners like these."""
    few = spread.examiners < 5
    return _figure(spread.mean, spread.ci_low, spread.ci_high) | {
        "group_by": "overall",
        "group": "all",
        "n": int(counts.n.sum()),
        "events": int(counts.events.sum()),
        "participants": int(counts.participants.sum()),
        "generalises_to": "new_examiners",
        "display": "estimate",
        "flag": "few_examiners" if few else None,
        "note": f"Mean of {spread.examiners} examiners. {note}",
    }


def _each(
    each: Shrunken, counts: ExaminerCounts, labels: tuple[str, ...], group_by: str, note: str
) -> Iterator[dict[str, object]]:
    """A row for every group with a verified knee; none under three participants, a word under ten."""
    for place in np.flatnonzero(counts.n > 0):
        participants = int(counts.participants[place])
        is_given, is_few = participants >= NONE_BELOW, participants < GROUPS_BELOW
        figure = _figure(*(float(v[place]) for v in (each.estimate, each.ci_low, each.ci_high)))
        said = "Mostly the group's figure." if is_given else "Too few participants for a figure."
        yield (figure if is_given else _figure(None, None, None)) | {
            "group_by": group_by,
            "group": labels[place],
            "n": int(counts.n[place]),
            "events": int(counts.events[place]),
            "participants": participants,
            "generalises_to": "these_examiners",
            "display": "estimate" if is_given else "counts_only",
            "flag": "too_few" if is_few else None,
            "note": f"{said} {note}" if is_few else note,
        }


def _figure(estimate: float | None, low: float | None, high: float | None) -> dict[str, object]:
    return {
        "estimate": estimate,
        "ci_low": low,
        "ci_high": high,
        "interval": "none" if estimate is None else "posterior",
        "deff": None,
        "n_effective": None,
    }


def _probabilities(each: Shrunken, counts: ExaminerCounts, labels: tuple[str, ...]) -> Iterator[dict[str, object]]:
    for place in np.flatnonzero(counts.n > 0):
        participants = int(counts.participants[place])
        is_given = participants >= NONE_BELOW
        yield {
            "examiner_id": labels[place],
            "probability_below": float(each.probability_below[place]) if is_given else None,
            "n": int(counts.n[place]),
            "flag": "too_few" if participants < GROUPS_BELOW else None,
            "note": None if participants >= GROUPS_BELOW else
            "Mostly the group's figure." if is_given else "Too few participants for a figure.",
        }  # fmt: skip
