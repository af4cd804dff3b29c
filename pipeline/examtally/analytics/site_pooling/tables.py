"""The table `pooled_sites`: what several groups say together of each maneuver."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl
from scipy.special import expit
from scipy.stats import norm, t

from examtally.analytics.examiner_effects.maximum_likelihood import fit_counts
from examtally.analytics.intervals import FloatArray
from examtally.analytics.site_pooling.pooling import LEAST, Together, pool_groups, without_each
from examtally.contracts.results import table_of

NOBODY = "all"
_MEASURES = ("sensitivity", "specificity")
_FEW = f"Fewer than {LEAST} groups: how far groups differ cannot be known, so their figures stand side by side."
_LIMITS = ("estimate", "ci_low", "ci_high", "predict_low", "predict_high", "between_sd")


def pooled_sites_table(summaries: pl.DataFrame, *, level: float = 0.95, status: str = "exploratory") -> pl.DataFrame:
    """Return the table `pooled_sites` from `site_summaries`.

    The leading figures by restricted maximum likelihood, with everybody and without each group; the counts of verified
    knees, as they were read, by the exact binomial form. With fewer than 4 groups a row without figures.

    Source: see `pool_groups`; Chu H, Cole SR. J Clin Epidemiol 2006;59:1331-1332.
    """
    rows = [
        row
        for _, part in summaries.sort("condition", "maneuver", "site_code").group_by(
            "condition", "maneuver", maintain_order=True
        )
        for row in _of_pair(part, level)
    ]
    return table_of("pooled_sites", rows, status=status)


def _of_pair(part: pl.DataFrame, level: float) -> Iterator[dict[str, object]]:
    key = {name: part[name][0] for name in ("condition", "maneuver")}
    sites = part["site_code"].to_list()
    logits = part.select("logit_sensitivity", "logit_specificity").to_numpy()
    within, shared = _matrices(part, ""), _matrices(part, "shared_")
    led = key | {"adjustment": "bias_adjusted", "method": "reml"}
    yield from _rows(led | {"without": NOBODY}, pool_groups(logits, within, shared, level=level), len(sites))
    if len(sites) > LEAST:
        for site, found in zip(sites, without_each(logits, within, shared, level=level), strict=True):
            yield from _rows(led | {"without": site}, found, len(sites) - 1)
    yield from _by_counts(key | {"adjustment": "none", "method": "binomial", "without": NOBODY}, part, level)


def _matrices(part: pl.DataFrame, prefix: str) -> FloatArray:
    first, second, both = (
        part[f"{prefix}{name}"].to_numpy() for name in ("var_sensitivity", "var_specificity", "covariance")
    )
    return np.stack([np.stack([first, both], axis=1), np.stack([both, second], axis=1)], axis=1)


def _rows(key: dict[str, object], found: Together | None, sites: int) -> Iterator[dict[str, object]]:
    for measure in _MEASURES:
        one = getattr(found, measure) if found else None
        values = [None] * 6 if one is None else [one.estimate, one.low, one.high, one.predict_low, one.predict_high]
        figures = dict(zip(_LIMITS, [*values, one.between_sd] if one else values, strict=True))
        yield _row(key, measure, figures, found.correlation if found else None, sites)


def _row(
    key: dict[str, object], measure: str, figures: dict[str, float | None], correlation: float | None, sites: int
) -> dict[str, object]:
    is_pooled = figures["estimate"] is not None
    return {
        **key,
        "measure": measure,
        **figures,
        "correlation": correlation,
        "sites": sites,
        "method": key["method"] if is_pooled else "side_by_side",
        "flag": None if is_pooled else "too_few",
        "note": None if is_pooled else _FEW,
    }


def _by_counts(key: dict[str, object], part: pl.DataFrame, level: float) -> Iterator[dict[str, object]]:
    sites, tail = part.height, (1 + level) / 2
    found = fit_counts(*(part[cell].to_numpy() for cell in ("tp", "fp", "fn", "tn"))) if sites >= LEAST else None
    for at, measure in enumerate(_MEASURES):
        figures: dict[str, float | None] = dict.fromkeys(_LIMITS)
        if found is not None and (error := found.se[at]) is not None:
            mean, between = found.mean[at], found.variance[at]
            reach = norm.ppf(tail) * error
            further = t.ppf(tail, sites - 2) * np.sqrt(error**2 + between)
            ends = expit([mean, mean - reach, mean + reach, mean - further, mean + further]).tolist()
            figures = dict(zip(_LIMITS, [*ends, float(between**0.5)], strict=True))
        yield _row(key, measure, figures, found.correlation if found else None, sites)
