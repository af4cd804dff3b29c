"""The corrections of the plain script, as a resident would make them: each figure anew for each resample of people.

Verification by the Begg-Greenes formula within strata, by inverse weights of a logistic model and by multiple
imputation; bounds of the unverified knees; sensitivity and specificity of every examiner from a mixed model. There is
no counterpart of the leading estimate, which `analyze` makes as well.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
import statsmodels.api as sm
from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

RESAMPLES = 500
IMPUTATIONS = 20
FINDINGS = ["setting", "acuity", "effusion", "guarding"]
Shares = dict[str, float]


def correct(known: pd.DataFrame) -> list[dict[str, object]]:
    """Corrected figures of one test for one condition, from exams with a result, whether verified or not."""
    frame = known.assign(
        test=(known["result"] == "positive").astype(float),
        verified=known["status"].notna().astype(float),
        truth=(known["status"] == "present").astype(float),
    )
    rows: list[dict[str, object]] = []
    if frame.loc[frame["verified"] == 1, "truth"].nunique() < 2:
        return rows
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, method in (("begg_greenes", _begg_greenes), ("ipw", _weighted)):
            rows += [{"adjustment": name, **row} for row in _resampled(frame, method)]
        rows += [{"adjustment": "multiple_imputation", **row} for row in _imputed(frame)]
        rows += [{"adjustment": "bounds", **row} for row in _bounds(frame)]
        rows += [{"adjustment": "pooled", **row} for row in _pooled(frame[frame["verified"] == 1])]
    return rows


def _resampled(frame: pd.DataFrame, method: Callable[[pd.DataFrame], Shares]) -> list[dict[str, object]]:
    """Each figure with the middle 95 % of its values in resamples of participants."""
    people = frame["participant_id"].unique()
    places = frame.reset_index(drop=True).groupby("participant_id").indices
    chance = np.random.default_rng(1)
    draws = []
    for _ in range(RESAMPLES):
        drawn = np.concatenate([places[person] for person in chance.choice(people, len(people))])
        draws.append(method(frame.iloc[drawn]))
    low, high = pd.DataFrame(draws).quantile([0.025, 0.975]).to_numpy()
    return [
        {"measure": name, "estimate": value, "ci_low": low[place], "ci_high": high[place]}
        for place, (name, value) in enumerate(method(frame).items())
    ]


def _shares(tp: float, fp: float, fn: float, tn: float) -> Shares:
    cells = np.array([tp, fp, fn, tn], float)
    with np.errstate(divide="ignore", invalid="ignore"):
        tp, fp, fn, tn = cells / cells.sum()
        sensitivity, specificity = np.divide(tp, tp + fn), np.divide(tn, tn + fp)
        return {
            "sensitivity": sensitivity,
            "specificity": specificity,
            "ppv": np.divide(tp, tp + fp),
            "npv": np.divide(tn, tn + fn),
            "prevalence": tp + fn,
            "accuracy": tp + tn,
            "lr_positive": np.divide(sensitivity, 1 - specificity),
            "lr_negative": np.divide(1 - sensitivity, specificity),
            "diagnostic_odds_ratio": np.divide(tp * tn, fp * fn),
        }


def _cells(test: np.ndarray, truth: np.ndarray, weight: np.ndarray | float = 1.0) -> list[float]:
    """True and false positives, false and true negatives, each knee counted with its weight."""
    each = (test * truth, test * (1 - truth), (1 - test) * truth, (1 - test) * (1 - truth))
    return [float((weight * cell).sum()) for cell in each]


def _begg_greenes(frame: pd.DataFrame) -> Shares:
    """The share with the condition among verified knees of a stratum is that of all its knees."""
    strata = frame.groupby(["test", "effusion"], dropna=False)
    sums = strata[["verified", "truth"]].sum().assign(exams=strata.size()).reset_index()
    sums = sums[sums["verified"] > 0]
    present = sums["exams"] * sums["truth"] / sums["verified"]
    absent, positive = sums["exams"] - present, sums["test"] == 1
    return _shares(present[positive].sum(), absent[positive].sum(), present[~positive].sum(), absent[~positive].sum())


def _design(frame: pd.DataFrame) -> pd.DataFrame:
    dummies = pd.get_dummies(frame[FINDINGS].fillna("unknown"), drop_first=True, dtype=float)
    return sm.add_constant(pd.concat([frame[["test"]], dummies], axis=1), has_constant="add")


def _weighted(frame: pd.DataFrame) -> Shares:
    """Verified knees by one over the chance to be verified."""
    chance = sm.GLM(frame["verified"], _design(frame), family=sm.families.Binomial()).fit(maxiter=25).fittedvalues
    weight = frame["verified"] / np.clip(chance, 0.02, 1)
    return _shares(*_cells(frame["test"].to_numpy(), frame["truth"].to_numpy(), weight.to_numpy()))


def _imputed(frame: pd.DataFrame) -> list[dict[str, object]]:
    """Status of unverified knees drawn from a logistic model; limits by Rubin's rules, of ratios between draws."""
    design, known = _design(frame).to_numpy(), (frame["verified"] == 1).to_numpy()
    test, truth = frame["test"].to_numpy(), frame["truth"].to_numpy().copy()
    model = sm.GLM(truth[known], design[known], family=sm.families.Binomial())
    fitted = np.asarray(model.fit_regularized(alpha=0.01, L1_wt=0).params)
    spread = np.linalg.pinv(np.eye(design.shape[1]) - model.hessian(fitted))
    chance = np.random.default_rng(2)
    made = []
    for _ in range(IMPUTATIONS):
        p = 1 / (1 + np.exp(-design[~known] @ chance.multivariate_normal(fitted, spread)))
        truth[~known] = chance.random(len(p)) < p
        made.append(_shares(*_cells(test, truth)))
    mean, between = pd.DataFrame(made).mean(), pd.DataFrame(made).var()
    within = (mean * (1 - mean)).clip(lower=0) / len(frame)
    half = 1.96 * np.sqrt(within + (1 + 1 / IMPUTATIONS) * between)
    table = pd.DataFrame({"estimate": mean, "ci_low": mean - half, "ci_high": mean + half})
    return [{"measure": name, **row} for name, row in table.iterrows()]


def _bounds(frame: pd.DataFrame) -> list[dict[str, object]]:
    """Lowest and highest value when all unverified knees with one result have the condition, or none."""
    verified = frame[frame["verified"] == 1]
    counts = pd.crosstab(verified["test"], verified["truth"]).reindex(index=[1, 0], columns=[1, 0], fill_value=0)
    (tp, fp), (fn, tn) = counts.to_numpy()
    positive, negative = frame[frame["verified"] == 0]["test"].value_counts().reindex([1, 0], fill_value=0)
    ends = pd.DataFrame(
        _shares(tp + a * positive, fp + (1 - a) * positive, fn + b * negative, tn + (1 - b) * negative)
        for a in (0, 1)
        for b in (0, 1)
    )
    return [{"measure": name, "ci_low": ends[name].min(), "ci_high": ends[name].max()} for name in ends]


def _pooled(verified: pd.DataFrame) -> list[dict[str, object]]:
    """Sensitivity and specificity of each examiner from a mixed logistic model."""
    rows: list[dict[str, object]] = []
    for measure, truth in (("sensitivity", 1), ("specificity", 0)):
        part = verified[verified["truth"] == truth]
        part = part.assign(right=(part["test"] == truth).astype(float))
        if len(part) < 10 or part["examiner_id"].nunique() < 3 or not 0 < part["right"].mean() < 1:
            continue
        fit = BinomialBayesMixedGLM.from_formula("right ~ 1", {"examiner": "0 + C(examiner_id)"}, part).fit_vb()
        for examiner, row in fit.random_effects().iterrows():
            middle, half = fit.fe_mean[0] + row.iloc[0], 1.96 * row.iloc[1]
            low, value, high = (1 / (1 + np.exp(-(middle + step))) for step in (-half, 0.0, half))
            rows.append({"measure": measure, "group": examiner, "estimate": value, "ci_low": low, "ci_high": high})
    return rows
