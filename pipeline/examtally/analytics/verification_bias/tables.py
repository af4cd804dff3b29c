"""The tables about partial verification, and the corrected rows of the table `accuracy`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from examtally.analytics.verification_bias import figures
from examtally.analytics.verification_bias.corrected import CorrectedCells
from examtally.analytics.verification_bias.figures import Block
from examtally.analytics.verification_bias.imputation import complete
from examtally.analytics.verification_bias.knees import ALL, ConditionKnees, Fitted
from examtally.analytics.verification_bias.models import area_under_curve, effective_weights
from examtally.analytics.verification_bias.pair import Counted, Groups, Pair
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty

_KEY = ("condition", "maneuver", "group_by", "group", "measure")
_FINDINGS: Mapping[str, tuple[tuple[int, ...], tuple[int, ...]]] = {
    "positive": ((0, 1), (2,)),
    "negative": ((3, 4), (5,)),
}


@dataclass(frozen=True)
class VerificationTables:
    """The tables `verification`, `verification_bounds` and `verification_models`, and `corrected` rows of accuracy."""

    verification: pl.DataFrame
    bounds: pl.DataFrame
    models: pl.DataFrame
    corrected: pl.DataFrame


@dataclass
class _Collected:
    """Frames and rows as they come, each with condition and maneuver."""

    shares: list[dict[str, object]] = field(default_factory=list)
    bounds: list[pl.DataFrame] = field(default_factory=list)
    models: list[dict[str, object]] = field(default_factory=list)
    corrected: list[pl.DataFrame] = field(default_factory=list)


def verification_tables(
    every: Mapping[str, ConditionKnees], group_bys: tuple[str, ...], protocol: Protocol
) -> VerificationTables:
    """Return the tables about who was verified, for every intended pair that something settles.

    `every` has the knees of each condition (see `every_condition`), `group_bys` are their groupings. Corrected rows are
    overall, and for every group whose verified knees suffice; where no correction is possible the row is null and says
    why.

    Source: see `augmented`, `weighted`, `imputation.complete`, `Pair.begg_greenes` and `Pair.bounds`.
    """
    collected = _Collected()
    for knees in every.values():
        _condition(knees, Groups.of(knees.frame, group_bys), protocol, collected)
    return VerificationTables(
        verification=_conform("verification", _frames(collected.shares)),
        bounds=_conform("verification_bounds", collected.bounds),
        models=_conform("verification_models", _frames(collected.models)),
        corrected=pl.concat(collected.corrected) if collected.corrected else pl.DataFrame(),
    )


def with_corrected(accuracy: pl.DataFrame, tables: VerificationTables) -> pl.DataFrame:
    """Return the table `accuracy` with the corrected rows; they carry the counts of the verified knees behind them."""
    if tables.corrected.is_empty():
        return accuracy
    naive = accuracy.filter(adjustment="none")
    bounds = tables.bounds.select(
        *_KEY[:4],
        pl.lit("bounds").alias("adjustment"),
        "measure",
        pl.lit(None, pl.Float64).alias("estimate"),
        "ci_low",
        "ci_high",
        pl.when(pl.col("ci_low").is_null()).then(pl.lit("none")).otherwise(pl.lit("region")).alias("interval"),
        pl.lit("").alias("flag"),
        pl.concat_str(
            pl.lit("Whatever decided who was verified: between "),
            pl.col("lower").round(3),
            pl.lit(" and "),
            pl.col("upper").round(3),
            pl.lit("."),
        ).alias("note"),
    )
    corrected = pl.concat([tables.corrected.select(bounds.columns), bounds])
    kept = naive.select(*_KEY, "level", "n", "events", "participants", "reference", "display")
    made = corrected.join(kept, on=_KEY, how="inner").with_columns(
        pl.col("estimate", "ci_low", "ci_high").fill_nan(None),
        deff=pl.lit(None, pl.Float64),
        n_effective=pl.lit(None, pl.Float64),
        generalises_to=pl.lit("these_examiners"),
    )
    own = conform("accuracy", made)
    return conform("accuracy", pl.concat([accuracy, own]))


def _conform(name: str, frames: list[pl.DataFrame]) -> pl.DataFrame:
    return conform(name, pl.concat(frames, how="vertical_relaxed") if frames else empty(name))


def _frames(rows: list[dict[str, object]]) -> list[pl.DataFrame]:
    return [pl.DataFrame(rows, infer_schema_length=None)] if rows else []


def _condition(knees: ConditionKnees, groups: list[Groups], protocol: Protocol, collected: _Collected) -> None:
    """Everything about one condition."""
    level = protocol.intervals.level
    prevalence = protocol.predictive_values.prevalence.get(knees.condition)
    group_by = np.repeat([each.group_by for each in groups], [len(each.labels) for each in groups])
    labels = np.concatenate([each.labels for each in groups])
    draws: dict[str, np.ndarray] = {}
    missing: dict[str, list[float]] = {}
    for maneuver in knees.maneuvers:
        pair = Pair(knees.frame, maneuver, knees.verified, knees.present)
        key = {"condition": knees.condition, "maneuver": maneuver}
        counted = [Counted.of(pair, pair.grouped(each)) for each in groups]
        collected.shares += [key | row for row in _shares(counted[0], level)]
        collected.bounds.append(_keyed(figures.bounds_frame(group_by, labels, Counted.together(counted), level), key))
        fitted = knees.fitted(maneuver) if counted[0].is_enough[0] else None
        frames = [block.frame(prevalence, level) for block in _blocks(pair, fitted, groups, counted)]
        nothing = figures.nothing("multiple_imputation", *_why(counted[0]), counted[0].observed)
        if fitted is None:
            frames.append(nothing.frame(None, level))
        else:
            if fitted.maneuver not in draws:
                draws[fitted.maneuver] = _draw(knees, fitted, protocol)
            made, fmi = figures.imputed(nothing, pair.completed(draws[fitted.maneuver]), level)
            frames.append(made)
            missing.setdefault(fitted.maneuver, []).extend([] if fmi is None else [fmi])
        collected.corrected.append(_keyed(pl.concat(frames, how="vertical_relaxed"), key))
    for fitted in knees.every_fitted:
        collected.models += _models(knees, fitted, max(missing.get(fitted.maneuver, []), default=None))


def _draw(knees: ConditionKnees, fitted: Fitted, protocol: Protocol) -> np.ndarray:
    place = 0 if fitted.maneuver == ALL else 1 + knees.maneuvers.index(fitted.maneuver)
    rng = np.random.default_rng([protocol.verification.seed, place])
    return complete(fitted.models, knees.verified, knees.present, protocol.verification.imputations, rng)


def _blocks(pair: Pair, fitted: Fitted | None, groups: list[Groups], counted: list[Counted]) -> Iterator[Block]:
    """The corrected tables of one pair: overall always, groups where the verified knees suffice."""
    overall = counted[0]
    if fitted is None:
        reason, flag = _why(overall)
        yield figures.nothing("ipw", reason, flag, overall.observed)
        if flag == "bounds_only":
            yield figures.nothing("verification", reason, flag, overall.observed)
            yield figures.nothing("begg_greenes", reason, flag, overall.observed)
            return
        table = pair.begg_greenes(pair.overall)
        yield figures.simple("overall", np.array(["all"]), table, overall.observed, fallback=reason)
        yield figures.simple("overall", np.array(["all"]), table, overall.observed)
        return
    rows, weights = pair.doubly_robust(fitted), pair.weighted(fitted)
    heaviest = float(1 / fitted.models.chance[pair.taken][pair.verified].min())
    own_models = fitted.maneuver != ALL
    for each, of in zip(groups, counted, strict=True):
        enough = of.is_enough
        if not enough.any():
            continue
        grouped = pair.grouped(each)
        labels, observed = np.array(each.labels)[enough], of.observed[enough]
        knows = each.group_by == "overall" or each.group_by in fitted.design.variables
        table = CorrectedCells(grouped.sums(rows), grouped.products(rows), grouped.clusters())
        yield figures.doubly_robust(each.group_by, labels, _some(table, enough), observed, heaviest, own_models, knows)
        yield figures.simple(each.group_by, labels, _some(pair.begg_greenes(grouped), enough), observed)
        if each.group_by == "overall":
            table = CorrectedCells(grouped.sums(weights), grouped.products(weights), grouped.clusters())
            yield figures.doubly_robust(
                each.group_by, labels, table, observed, heaviest, own_models, knows, adjustment="ipw"
            )


def _some(table: CorrectedCells, chosen: np.ndarray) -> CorrectedCells:
    return CorrectedCells(table.cells[chosen], table.products[chosen], table.clusters[chosen])


def _why(overall: Counted) -> tuple[str, str]:
    """Why there is no doubly robust figure overall, and the flag that says so."""
    reason = figures.obstacle(overall)
    return (reason, "bounds_only") if reason else (figures.shortage(overall), "too_few_verified")


def _keyed(frame: pl.DataFrame, key: Mapping[str, object]) -> pl.DataFrame:
    return frame.with_columns(**{name: pl.lit(value) for name, value in key.items()})


def _shares(counted: Counted, level: float) -> Iterator[dict[str, object]]:
    """Rows of the table `verification` of one pair."""
    for result, (verified, unverified) in _FINDINGS.items():
        share, limits = counted.share(verified, unverified, level)
        values = {"share": share[0], "ci_low": limits.low[0], "ci_high": limits.high[0]}
        known = counted.counts[0, verified].sum()
        yield {
            "result": result,
            "exams": int(known + counted.counts[0, unverified].sum()),
            "verified": int(known),
            **{name: float(value) if np.isfinite(value) else None for name, value in values.items()},
            "flag": None if np.isfinite(share[0]) else "none_positive" if result == "positive" else "none_negative",
            "note": None if np.isfinite(share[0]) else f"No «noun» with a {result} finding.",
        }


def _models(knees: ConditionKnees, fitted: Fitted, fmi: float | None) -> Iterator[dict[str, object]]:
    """Rows of the table `verification_models` of one pair of models."""
    models, verified = fitted.models, knees.verified
    chance = models.chance[verified]
    common: dict[str, object] = {
        "condition": knees.condition,
        "maneuver": fitted.maneuver,
        "terms": ", ".join(fitted.design.terms) or None,
        "left_out": ", ".join(fitted.design.left_out) or None,
        "auc": None,
        "min_probability": None,
        "max_weight": None,
        "ess_weights": None,
        "fmi": None,
        "penalty": models.penalty,
    }
    yield common | {
        "model": "verification",
        "n": int(verified.size),
        "events": int(verified.sum()),
        "auc": None if verified.all() else area_under_curve(models.chance, verified),
        "min_probability": float(chance.min()),
        "max_weight": float(1 / chance.min()),
        "ess_weights": effective_weights(chance),
        "converged": models.chance_converged,
    }
    events = int((knees.present & verified).sum())
    disease = {"n": int(verified.sum()), "events": events, "converged": models.expected_converged}
    yield (
        common
        | disease
        | {
            "model": "disease",
            "auc": area_under_curve(models.expected[verified], knees.present[verified]),
        }
    )
    yield common | disease | {"model": "imputation", "fmi": fmi}
