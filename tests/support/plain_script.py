"""The same analysis as a resident would write it: pandas for the analysis set, statsmodels a table at a time.

It makes the flow, the nine measures with participant-clustered limits for every condition, maneuver and group, and the
calibration of stated probabilities with resampled limits; `plain_corrections` corrects. It knows only the rules that
the timed registry needs.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm
from plain_corrections import correct
from sklearn.isotonic import IsotonicRegression
from sklearn.metrics import roc_auc_score
from statsmodels.stats.proportion import proportion_confint

from examtally.contracts.contract import load_contract

GROUPS = [
    "all",
    "examiner_id",
    "role",
    "setting",
    "acuity",
    "sex",
    "age_band",
    "effusion",
    "guarding",
    "site_id",
    "period",
]
RESAMPLES = 500


def analyze(folder: Path) -> dict[str, pd.DataFrame]:
    """Analyze the record files of `folder` and return the tables accuracy, flow, calibration and corrected."""
    tables = {path.stem: pd.read_csv(path) for path in folder.glob("*.csv")}
    exams = _exams(tables)
    accuracy, flow, calibration, corrected = [], [], [], []
    for code, condition in load_contract().catalogue.conditions.items():
        index = exams[exams["eligible"]].sort_values(["exam_day", "examiner_order", "exam_id"])
        index = index.drop_duplicates(["participant_id", "side", "episode"])
        index = index.merge(_status(code, condition, index, tables["references"]), on="exam_id", how="left")
        for name in (name for pair, name in load_contract().catalogue.pairs if pair == code):
            found = tables["findings"][tables["findings"]["maneuver"] == name][["exam_id", "result"]]
            rows = index.merge(found, on="exam_id", how="left")
            flow.append({"condition": code, "maneuver": name, "exams": len(exams), **rows["result"].value_counts()})
            rows = rows[rows["result"].isin(["positive", "negative"])]
            known = rows[rows["status"].notna()]
            corrected += [{"condition": code, "maneuver": name, **row} for row in correct(rows)]
            for group in GROUPS:
                for value, part in known.groupby(known[group].fillna("unknown")):
                    accuracy += [
                        {"condition": code, "maneuver": name, "group": value, **row} for row in _measures(part)
                    ]
        calibration += _calibration(code, index, tables["impressions"])
    made = {"accuracy": accuracy, "flow": flow, "calibration": calibration, "corrected": corrected}
    return {name: pd.DataFrame(rows) for name, rows in made.items()}


def _exams(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    exams = tables["exams"].merge(tables["participants"], on="participant_id", how="left")
    exams = exams.merge(tables["examiners"], on="examiner_id", how="left")
    exams["role"] = exams["examiner_role"].fillna(exams["role"])
    exams["all"] = "all"
    exams["acuity"] = pd.cut(exams["days_since_onset"], [-1, 21, 84, 1e6], labels=["acute", "subacute", "chronic"])
    exams["acuity"] = exams["acuity"].astype(object)
    exams["age_band"] = pd.cut(exams["age_years"], [-1, 15, 25, 39, 59, 90]).astype(str)
    exams["eligible"] = (
        (exams["complaint"] != "no")
        & (exams["setting"] != "operating_room")
        & (exams["prior_surgery"] != "yes")
        & (exams["reference_known"] != "yes")
        & (exams["period"] < sorted(exams["period"].unique())[-3])
    )
    return exams


def _status(code: str, condition: object, index: pd.DataFrame, references: pd.DataFrame) -> pd.DataFrame:
    order = list(condition.modalities)  # type: ignore[attr-defined]
    rows = references[(references["condition"] == code) & references["modality"].isin(order)]
    rows = rows[rows["status"] != "indeterminate"].merge(
        index[["exam_id", "participant_id", "side", "episode", "exam_day"]], on=["participant_id", "side", "episode"]
    )
    low, high = condition.window_days or (0, 0)  # type: ignore[attr-defined]
    rows = rows[(rows["reference_day"] - rows["exam_day"]).between(low, high)]
    rows = rows.assign(rank=rows["modality"].map(order.index)).sort_values("rank").drop_duplicates("exam_id")
    return rows[["exam_id", "status"]]


def _measures(part: pd.DataFrame) -> list[dict[str, object]]:
    """Nine measures; clustered limits by GEE where there is variation, the rest by Wilson."""
    test, truth = (part["result"] == "positive").to_numpy(), (part["status"] == "present").to_numpy()
    people = part["participant_id"].to_numpy()
    shares = {
        "sensitivity": (truth, test),
        "specificity": (~truth, ~test),
        "ppv": (test, truth),
        "npv": (~test, ~truth),
        "prevalence": (np.ones_like(truth), truth),
        "accuracy": (np.ones_like(truth), test == truth),
    }
    rows: list[dict[str, object]] = []
    for name, (base, event) in shares.items():
        y, groups = event[base].astype(float), people[base]
        if not len(y):
            continue
        low, high = proportion_confint(int(y.sum()), len(y), method="wilson")
        if 0 < y.mean() < 1 and len(set(groups)) < len(groups):
            fit = sm.GEE(y, np.ones((len(y), 1)), groups=groups, family=sm.families.Binomial()).fit()
            low, high = 1 / (1 + np.exp(-fit.conf_int()[0]))
        rows.append({"measure": name, "estimate": y.mean(), "ci_low": low, "ci_high": high, "n": len(y)})
    counts = np.array([[(test & truth).sum(), (test & ~truth).sum()], [(~test & truth).sum(), (~test & ~truth).sum()]])
    if (counts > 0).all():
        table = sm.stats.Table2x2(counts)
        low, high = table.oddsratio_confint()
        rows.append({"measure": "diagnostic_odds_ratio", "estimate": table.oddsratio, "ci_low": low, "ci_high": high})
        for name, row in (("lr_positive", 0), ("lr_negative", 1)):
            n = counts.sum(axis=0)
            shares_of = counts[row] / n
            spread = 1.96 * np.sqrt((1 / counts[row] - 1 / n).sum())
            ratio = shares_of[0] / shares_of[1]
            limits = {"ci_low": ratio * np.exp(-spread), "ci_high": ratio * np.exp(spread)}
            rows.append({"measure": name, "estimate": ratio, **limits})
    return rows


def _calibration(code: str, index: pd.DataFrame, impressions: pd.DataFrame) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    stated = impressions[impressions["condition"] == code].merge(index[index["status"].notna()], on="exam_id")
    for (stage, role), part in [
        *stated.assign(role="all").groupby(["stage", "role"]),
        *stated.groupby(["stage", "role"]),
    ]:
        y = (part["status"] == "present").to_numpy(float)
        if len(y) < 20 or min(y.sum(), len(y) - y.sum()) < 5:
            continue
        people = part["participant_id"].unique()
        places = {person: np.flatnonzero(part["participant_id"] == person) for person in people}
        chance = np.random.default_rng(1)
        point = _scores(part["probability"].to_numpy(), y)
        draws = []
        for _ in range(RESAMPLES):
            rows_drawn = np.concatenate([places[person] for person in chance.choice(people, len(people))])
            draws.append(_scores(part["probability"].to_numpy()[rows_drawn], y[rows_drawn]))
        limits = np.nanpercentile(np.array(draws), [2.5, 97.5], axis=0)
        rows.append({"condition": code, "stage": stage, "role": role, "estimates": point, "limits": limits})
    return rows


def _scores(p: np.ndarray, y: np.ndarray) -> list[float]:
    """Brier score, miscalibration, AUC, log score, intercept and slope; missing where one class only was drawn."""
    if not 0 < y.mean() < 1:
        return [float("nan")] * 6
    clipped = np.clip(p, 0.005, 0.995)
    logit = np.log(clipped / (1 - clipped))
    brier = float(np.mean((p - y) ** 2))
    fitted = IsotonicRegression(out_of_bounds="clip").fit_transform(p, y)
    log_score = float(-np.mean(y * np.log(clipped) + (1 - y) * np.log(1 - clipped)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            slope = float(sm.Logit(y, sm.add_constant(logit, has_constant="add")).fit(disp=0).params[1])
            level = float(sm.GLM(y, np.ones((len(y), 1)), family=sm.families.Binomial(), offset=logit).fit().params[0])
        except Exception:
            slope = level = float("nan")
    return [brier, brier - float(np.mean((fitted - y) ** 2)), float(roc_auc_score(y, p)), log_score, level, slope]
