"""The table `latent_class`: finding and erring modality as two tests, neither of them taken as true."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.imperfect_reference.hui_walter import hui_walter
from examtally.analytics.imperfect_reference.latent_class import PARAMETERS, LatentClass, latent_class
from examtally.analytics.imperfect_reference.pairs import ErringPair, covariance_of
from examtally.analytics.intervals import BoolArray, FloatArray, normal_quantile
from examtally.analytics.verification_bias.corrected import CorrectedCells
from examtally.analytics.verification_bias.pair import Groups
from examtally.contracts.catalogue.clinical import ReferenceAccuracy
from examtally.contracts.protocol.models import LatentClass as Choices
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

_NAMES = {
    "prevalence": "prevalence",
    "sensitivity_1": "sensitivity",
    "specificity_1": "specificity",
    "sensitivity_2": "reference_sensitivity",
    "specificity_2": "reference_specificity",
}
_ESTIMATES = ("mean", "median", "ci_low", "ci_high")
_MOST_R_HAT, _LEAST_DRAWS = 1.01, 400
_LONGER = 4  # times the draws, once, where chains have not met
_SUREST = 0.01
_KNEES = 20.0  # behind a published accuracy without an interval
_FEWEST = 20.0  # effective knees of a group
_BELIEFS = (
    "Two tests in one population: the answer rests on the beliefs stated beforehand, however many «nouns» there are."
)
_SAME = "Assumes the same accuracy in both groups."


def latent_class_table(pairs: Iterable[ErringPair], protocol: Protocol) -> pl.DataFrame:
    """Return the table `latent_class` for every pair whose reference errs.

    Counts are those of the table corrected for who had the modality, brought to the number of knees that a simple
    sample would need to be as certain, and rounded. The modality's beliefs are Beta distributions with the mean and
    the width of what is published; those of finding and prevalence are the protocol's.

    Source: see `latent_class` and `hui_walter`.
    """
    several = list(pairs)
    rows = [*_by_beliefs(several, protocol), *(row for each in several for row in _by_populations(each, protocol))]
    return table_of("latent_class", rows)


def effective_cells(table: CorrectedCells) -> FloatArray:
    """Cells of corrected tables, (rows, 4), brought to the size of a simple sample with their total variance.

    Source: Kish L. Survey Sampling, 1965, section 8.2, for the four shares together.
    """
    total = table.cells.sum(axis=1)
    share = table.cells / total[:, None]
    spread = covariance_of(table)
    with_all, everything = spread.sum(axis=2), spread.sum(axis=(1, 2))
    variance = np.einsum("rii->ri", spread) - 2 * share * with_all + share**2 * everything[:, None]
    size = (share * (1 - share)).sum(axis=1) / (variance.sum(axis=1) / total**2)
    return np.asarray(share * np.minimum(size, total)[:, None])


def prior_counts(row: ReferenceAccuracy, measure: str, weight: float) -> tuple[float, float]:
    """Beta(a, b) with the published mean and, at weight 1, the width of its interval (else of 20 knees).

    A published 0 or 1 is taken as 1 or 99 in 100: a belief that nothing could change would be none.
    """
    mean, low, high = (getattr(row, name) for name in (measure, f"{measure}_low", f"{measure}_high"))
    mean = min(max(mean, _SUREST), 1 - _SUREST)
    knees = _KNEES
    if low is not None and high is not None and high > low:
        knees = max(mean * (1 - mean) / ((high - low) / (2 * normal_quantile(0.95))) ** 2 - 1, 1.0)
    return weight * knees * mean, weight * knees * (1 - mean)


def _by_beliefs(several: list[ErringPair], protocol: Protocol) -> Iterator[dict[str, object]]:
    """The latent class model of every pair, all chains of all of them at once."""
    tables = [effective_cells(each.table)[0] for each in several if each.table is not None]
    beliefs = [_priors(each, protocol.latent_class) for each in several]
    used = [prior for each, prior in zip(several, beliefs, strict=True) if each.table is not None]
    found = _sampled(np.rint(tables), used, protocol) if tables else None
    place = 0
    for each, own in zip(several, beliefs, strict=True):
        for name in PARAMETERS:
            key = {**each.key, "model": "two_tests", "population": "all", "parameter": _NAMES[name]}
            prior = dict(zip(("prior_a", "prior_b"), own[name], strict=True))
            if found is None or each.table is None:
                yield key | _nothing(each.reason, "bounds_only") | prior
            else:
                counted = f"Effective number of «nouns» {tables[place].sum():.0f}. {each.fallback}"
                yield key | _posterior(found, name, place, counted) | prior
        place += each.table is not None


def _priors(each: ErringPair, choices: Choices) -> Mapping[str, tuple[float, float]]:
    default = each.published[0]
    finding = choices.finding_a, choices.finding_b
    return {
        "prevalence": (choices.prevalence_a, choices.prevalence_b),
        "sensitivity_1": finding,
        "specificity_1": finding,
        "sensitivity_2": prior_counts(default, "sensitivity", choices.published_weight),
        "specificity_2": prior_counts(default, "specificity", choices.published_weight),
    }


def _sampled(counts: FloatArray, beliefs: list[Mapping[str, tuple[float, float]]], protocol: Protocol) -> LatentClass:
    """Chains of every pair; where they have not met, once more and longer."""
    draws = protocol.latent_class.draws
    found = _chains(counts, beliefs, protocol, draws)
    unmet = np.flatnonzero(~_has_met(found))
    if not unmet.size:
        return found
    again = _chains(counts[unmet], [beliefs[place] for place in unmet], protocol, _LONGER * draws)
    merged: dict[str, Any] = {name: dict(getattr(found, name)) for name in (*_ESTIMATES, "r_hat", "ess_bulk")}
    for name, by in merged.items():
        for parameter, values in by.items():
            by[parameter] = values.copy()
            by[parameter][unmet] = getattr(again, name)[parameter]
    return replace(found, **merged)


def _has_met(found: LatentClass) -> BoolArray:
    """Whether the chains of every parameter agree and are worth draws enough, (rows,)."""
    r_hat, ess = (np.array(list(by.values())) for by in (found.r_hat, found.ess_bulk))
    return np.asarray((r_hat <= _MOST_R_HAT).all(axis=0) & (ess >= _LEAST_DRAWS).all(axis=0))


def _chains(
    counts: FloatArray, beliefs: list[Mapping[str, tuple[float, float]]], protocol: Protocol, draws: int
) -> LatentClass:
    together = {name: np.array([own[name] for own in beliefs]).T for name in PARAMETERS}
    return latent_class(
        counts,
        {name: (numbers[0], numbers[1]) for name, numbers in together.items()},
        chains=protocol.latent_class.chains,
        iterations=draws,
        warm_up=draws // 4,
        level=protocol.intervals.level,
        seed=protocol.latent_class.seed,
    )


def _posterior(found: LatentClass, name: str, place: int, counted: str) -> dict[str, object]:
    r_hat, ess = float(found.r_hat[name][place]), float(found.ess_bulk[name][place])
    chains: dict[str, object] = {"r_hat": r_hat, "ess_bulk": ess}
    if not _has_met(found)[place]:
        worst = max(float(each[place]) for each in found.r_hat.values())
        least = min(float(each[place]) for each in found.ess_bulk.values())
        said = f"The chains do not agree yet (R-hat {worst:.3f}, {least:.0f} independent draws)."
        return _nothing(f"{said} More draws, or firmer beliefs, are needed.", "not_converged") | chains
    values = {each: float(getattr(found, each)[name][place]) for each in _ESTIMATES}
    return values | chains | {"flag": None, "note": f"{_BELIEFS} {counted}".strip()}


def _by_populations(each: ErringPair, protocol: Protocol) -> Iterator[dict[str, object]]:
    """Hui and Walter's estimates from the two largest groups of the declared grouping."""
    group_by = protocol.latent_class.populations
    if group_by == "none":
        return
    names, tables, reason = _two_groups(each, group_by)
    key = {**each.key, "model": "two_populations"}
    found = hui_walter(*tables, level=protocol.intervals.level) if not reason else None
    size = f"Effective numbers of «nouns» {' and '.join(f'{cells.sum():.0f}' for cells in tables)}."
    for name, code in list(_NAMES.items())[1:] + [(f"prevalence_{place}", "prevalence") for place in (1, 2)]:
        population = names[int(name[-1]) - 1] if code == "prevalence" and names else "both"
        if population == "both" and code == "prevalence":
            continue
        row = key | {"population": population, "parameter": code}
        if found is None or found.estimate is None or found.ci_low is None or found.ci_high is None:
            yield row | _nothing(reason or (found.note if found else ""), "not_estimable")
        else:
            words = f"{found.note} {_SAME} {size} {each.fallback}".strip()
            values = {"mean": found.estimate[name], "ci_low": found.ci_low[name], "ci_high": found.ci_high[name]}
            yield row | _nothing(words, None) | values


def _two_groups(each: ErringPair, group_by: str) -> tuple[list[str], list[FloatArray], str]:
    """Names and effective tables of the two largest groups with the modality, or why there are none."""
    if each.table is None:
        return [], [], each.reason
    (_, groups) = Groups.of(each.frame, [group_by])
    grouped = each.pair.grouped(groups)
    table = each.pair.begg_greenes(grouped)
    if each.fitted is not None:
        rows = each.pair.doubly_robust(each.fitted)
        table = CorrectedCells(grouped.sums(rows), grouped.products(rows), grouped.clusters())
    known = np.bincount(grouped.code[each.pair.verified], minlength=grouped.size)
    usable = (table.cells > 0).all(axis=1) & (table.clusters > 1) & (np.array(groups.labels) != "unknown")
    order = [int(place) for place in np.argsort(-known, kind="stable") if usable[place]][:2]
    names = sorted(groups.labels[place] for place in order)
    chosen = [groups.labels.index(name) for name in names]
    kept = CorrectedCells(table.cells[chosen], table.products[chosen], table.clusters[chosen])
    cells = list(effective_cells(kept))
    words = group_by.replace("_", " ")
    if len(names) < 2 or min(found.sum() for found in cells) < _FEWEST:
        return [], [], f"No two groups by {words} with «nouns» enough."
    return names, cells, ""


def _nothing(note: str, flag: str | None) -> dict[str, object]:
    blank = dict.fromkeys((*_ESTIMATES, "prior_a", "prior_b", "r_hat", "ess_bulk"))
    return {**blank, "flag": flag, "note": note or None}
