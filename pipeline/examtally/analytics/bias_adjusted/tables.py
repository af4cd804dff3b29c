"""The tables `leading`, `reference_posterior` and `bias_models`, and the rows `bias_adjusted` of `accuracy`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.figures import RATIOS, SHARES, Summary, summary
from examtally.analytics.bias_adjusted.leading import OTHER_DELTAS, Leading, verdict
from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel
from examtally.analytics.bias_adjusted.sampler import MET
from examtally.analytics.bias_adjusted.severity import BySeverity
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, table_of

_KEY = ("condition", "maneuver", "group_by", "group")
_NOTHING = Summary(None, None, None)
_NO_SURGERY = "No surgery settled any of these «nouns»: all rests on what is assumed of the tests that read them."


def leading_table(estimates: Sequence[Leading], protocol: Protocol) -> pl.DataFrame:
    """Return the table `leading`: one row a pair and group, null where a figure is withheld."""
    return table_of("leading", [_leading_row(each, protocol) for each in estimates])


def with_bias_adjusted(accuracy: pl.DataFrame, estimates: Sequence[Leading]) -> pl.DataFrame:
    """Return the table `accuracy` with the rows `bias_adjusted`; they carry the counts of the verified knees."""
    made = pl.DataFrame(
        [row for each in estimates for row in _accuracy_rows(each)],
        schema={name: accuracy.schema[name] for name in (*_KEY, "adjustment", "measure", *_FIGURE)},
    )
    kept = accuracy.filter(pl.col("adjustment") == "none").select(
        *_KEY, "measure", "level", "n", "events", "participants", "display"
    )
    made = made.join(kept, on=[*_KEY, "measure"], how="inner").with_columns(
        deff=pl.lit(None, pl.Float64),
        n_effective=pl.lit(None, pl.Float64),
        generalises_to=pl.lit("these_examiners"),
    )
    return conform("accuracy", pl.concat([accuracy, conform("accuracy", made)]))


def with_severity(accuracy: pl.DataFrame, figures: Sequence[BySeverity], protocol: Protocol) -> pl.DataFrame:
    """Return the table `accuracy` with sensitivity by severity; counts are of the knees that were graded so."""
    rows = [_severity_row(each, protocol) for each in figures if each.graded]
    return conform("accuracy", pl.concat([accuracy, table_of("accuracy", rows)]))


def _severity_row(each: BySeverity, protocol: Protocol) -> dict[str, object]:
    return {
        **dict(zip(_KEY, (each.condition, each.maneuver, "severity", each.degree), strict=True)),
        "adjustment": "bias_adjusted",
        "measure": "sensitivity",
        **dict(zip(("estimate", "ci_low", "ci_high"), _values(each.figure), strict=True)),
        "level": protocol.intervals.level,
        "interval": "none" if each.reason else "percentile",
        "n": each.graded,
        "events": each.positive,
        "participants": each.participants,
        "reference": _reference(protocol.is_clinical(each.condition), each.is_assumed),
        "generalises_to": "these_examiners",
        "display": "estimate" if each.participants >= protocol.display.min_participants else "counts_only",
        "flag": "withheld" if each.reason else None,
        "note": each.reason,
    }


_FIGURE = ("estimate", "ci_low", "ci_high", "interval", "reference", "flag", "note")


def reference_posterior_table(models: BiasModels, protocol: Protocol) -> pl.DataFrame:
    """Return the table `reference_posterior`: each erring test's accuracy before and after the data."""
    rows = [row for model in models.fitted.values() for row in _reference_rows(model, protocol)]
    return table_of("reference_posterior", rows)


def status_right(models: BiasModels) -> pl.DataFrame:
    """Share of the knees called present, or absent, that are: condition, positive (called present), right."""
    rows = []
    for code, model in models.fitted.items():
        called = model.knees.frame[f"status_{code}"]
        for positive, chance in ((True, model.draws.chance), (False, 1 - model.draws.chance)):
            inside = (called == ("present" if positive else "absent")).to_numpy()
            if inside.any():
                rows.append((code, positive, float(chance[inside].mean())))
    return pl.DataFrame(
        rows, schema={"condition": pl.String, "positive": pl.Boolean, "right": pl.Float64}, orient="row"
    )


def bias_models_table(models: BiasModels, protocol: Protocol) -> pl.DataFrame:
    """Return the table `bias_models`: what each model is made of, and whether it can be trusted."""
    return table_of("bias_models", [_model_row(model, protocol) for model in models.fitted.values()])


def _leading_row(each: Leading, protocol: Protocol) -> dict[str, object]:
    people = each.members.participants
    basis = each.basis if people >= protocol.display.min_participants else "counts_only"
    figures = each.figures if basis == "bias_adjusted" else {}
    others = each.other_deltas if basis == "bias_adjusted" else {}
    expected = each.members.expected or (None, None)
    positive, negative = verdict(
        figures.get("lr_positive", _NOTHING), figures.get("lr_negative", _NOTHING), protocol.bias_adjusted
    )
    limits = {
        name + end: value
        for name in ("sensitivity", "specificity", "lr_positive", "lr_negative", "post_positive", "post_negative")
        for end, value in zip(("", "_low", "_high"), _values(figures.get(name, _NOTHING)), strict=True)
    }
    reason = each.reason
    if basis == "counts_only":
        reason = f"{people} people; at least {protocol.display.min_participants} are required."
    return {
        **_key(each),
        "basis": basis,
        **limits,
        **{f"{m}_{name}": others.get(f"{m}_{name}") for m in ("sensitivity", "specificity") for name in OTHER_DELTAS},
        **_covariance(each if basis == "bias_adjusted" else None),
        "pre_test": figures.get("pre_test", _NOTHING).estimate,
        "verdict_positive": positive,
        "verdict_negative": negative,
        "expected_present": expected[0],
        "expected_absent": expected[1],
        "verified": each.members.verified,
        "participants": people,
        "reference": each.reference or None,
        "assumed_reference": each.is_assumed,
        "reason": reason,
        "flag": _flag(each, basis),
        "note": None,
    }


def _covariance(each: Leading | None) -> dict[str, float | None]:
    """Covariance of the logits, and the part of it that all groups share."""
    found = each.covariance if each is not None else None
    names = ("var_sensitivity", "var_specificity", "covariance")
    parts = {"": found.whole if found else None, "shared_": found.shared if found else None}
    return {
        f"{part}{name}": None if values is None else float(values[at])
        for part, values in parts.items()
        for name, at in zip(names, ((0, 0), (1, 1), (0, 1)), strict=True)
    }


def _flag(each: Leading, basis: str) -> str | None:
    if basis == "counts_only":
        return "too_few"
    return "withheld" if each.withheld else _standing(each)


def _standing(each: Leading) -> str | None:
    """The flag of a figure that is shown."""
    if each.is_clinical:
        return "clinical_reference"
    return "assumed_reference" if each.is_assumed else None


def _reference(is_clinical: bool, is_assumed: bool) -> str:
    if is_clinical:
        return "clinical_diagnosis"
    return "assumed_errors" if is_assumed else "known_errors"


def _accuracy_rows(each: Leading) -> Iterator[dict[str, object]]:
    for measure in (*SHARES, *RATIOS):
        values = dict(zip(("estimate", "ci_low", "ci_high"), _values(each.figures.get(measure, _NOTHING)), strict=True))
        is_shown = values["estimate"] is not None
        yield {
            **_key(each),
            "adjustment": "bias_adjusted",
            "measure": measure,
            **values,
            "interval": "percentile" if is_shown else "none",
            "reference": _reference(each.is_clinical, each.is_assumed),
            "flag": _standing(each) if is_shown else "withheld",
            "note": None if is_shown else each.reason or "Undefined in some draws.",
        }


def _key(each: Leading) -> dict[str, object]:
    inside = each.members
    return dict(zip(_KEY, (each.condition, inside.maneuver, inside.group_by, inside.group), strict=True))


def _values(one: Summary) -> tuple[float | None, float | None, float | None]:
    return one.estimate, one.low, one.high


def _reference_rows(model: ConditionModel, protocol: Protocol) -> Iterator[dict[str, object]]:
    tail = (1 - protocol.intervals.level) / 2
    has_both = ~np.isnan(model.knees.reads) & model.knees.is_known[:, None]
    both = dict(zip(model.knees.modalities, has_both.sum(axis=0).tolist(), strict=True))
    for prior in model.priors:
        found = summary(model.accuracy(prior.modality, prior.measure), protocol.intervals.level)
        yield {
            "condition": model.knees.condition,
            "modality": prior.modality,
            "measure": prior.measure,
            "prior": prior.quantile(0.5),
            "prior_low": prior.quantile(tail),
            "prior_high": prior.quantile(1 - tail),
            "estimate": found.estimate,
            "ci_low": found.low,
            "ci_high": found.high,
            "both_tests": both[prior.modality],
            "assumed": prior.is_assumed,
        }


def _model_row(model: ConditionModel, protocol: Protocol) -> dict[str, object]:
    knees, chance = model.knees, model.draws.chance
    unimaged = ~knees.is_verified
    is_met = model.r_hat <= MET
    return {
        "condition": knees.condition,
        "terms": ", ".join(knees.terms.names) or None,
        "n": knees.rows.size,
        "imaged": int(knees.is_read.sum()),
        "operated": int(knees.is_known.sum()),
        "prevalence": float(chance.mean()),
        "prevalence_unimaged": float(chance[unimaged].mean()) if unimaged.any() else None,
        "delta": protocol.bias_adjusted.delta_mean,
        "pareto_k": None,
        "r_hat": model.r_hat,
        "ess": model.ess,
        "information": _information(model),
        "converged": is_met,
        "flag": None if is_met else "not_converged",
        "note": None if knees.is_known.any() else _NO_SURGERY,
    }


def _information(model: ConditionModel) -> float | None:
    """Mean share of the prior variance of the references' logit accuracies that the knees took away."""
    if not model.priors:
        return None
    after = model.parameters[-len(model.priors) :].var(axis=1)
    before = np.array([prior.spread**2 for prior in model.priors])
    return float(np.maximum(1 - after / before, 0.0).mean())
