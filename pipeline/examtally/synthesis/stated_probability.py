"""What examiners believe and what they say: beliefs as good as the records allow, stated with each one's bent.

Beliefs are the fitted chances of a logistic model of the truth, fitted once on a reference population of the scenario;
an examiner of confidence 1 and lean 0 is therefore calibrated up to private judgement and round numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from examtally.synthesis.clinical_sections import Stage
from examtally.synthesis.features import Bools, Features, Floats
from examtally.synthesis.findings import NEGATIVE, POSITIVE, Found
from examtally.synthesis.logistic import fit_logistic
from examtally.synthesis.population import DrawContext

_PRECISION = 0.5
_DECIMALS = 6  # the last bits of a sum differ between machines, and must not reach a stated probability

StatedModels = Mapping[tuple[str, str], Floats]


@dataclass(frozen=True)
class StatedProbabilities:
    """One column a (condition, stage): `probability[i, j]` as stated in exam i, `written[i, j]` whether it was."""

    columns: tuple[tuple[str, str], ...]
    probability: Floats
    written: Bools


def learn_stated_models(context: DrawContext, exams: Features, found: Found) -> StatedModels:
    """Fit the coefficients of each condition at each stage on the exams of a large population."""
    return {
        (condition, code): np.round(
            fit_logistic(_known(context, exams, found, condition, stage), exams.numbers[condition], ridge=_PRECISION),
            _DECIMALS,
        )
        for condition in context.scenario.forecasts.conditions
        for code, stage in context.scenario.forecasts.stages.items()
    }


def say(context: DrawContext, exams: Features, found: Found, stated: StatedModels) -> StatedProbabilities:
    """State the probabilities of every exam, whether or not they are written down."""
    plan, columns = context.scenario.forecasts, tuple(stated)
    team = context.scenario.examiners
    lean = np.array([each.lean for each in team])[exams.numbers["examiner"]]
    confidence = np.array([each.confidence for each in team])[exams.numbers["examiner"]]
    probability = np.empty((exams.rows, len(columns)))
    written = np.empty(probability.shape, dtype=bool)
    knee_share = np.where(exams.numbers["comparison"], plan.comparison, 1.0)
    for column, (condition, code) in enumerate(columns):
        stage, random = plan.stages[code], context.random(f"stated {condition} {code}")
        known = _known(context, exams, found, condition, stage)
        believed = known @ stated[condition, code] + stage.noise * random.standard_normal(exams.rows)
        probability[:, column] = _in_numbers(context, exams, expit(lean + confidence * stage.confidence * believed))
        asked = context.random(f"stated {condition}").random(exams.rows) < plan.conditions[condition] * knee_share
        written[:, column] = asked & (random.random(exams.rows) < stage.stated)
    return StatedProbabilities(columns, probability, written)


def _known(context: DrawContext, exams: Features, found: Found, condition: str, stage: Stage) -> Floats:
    """The columns an examiner can weigh: 1, whether it is the other knee, the terms, and the findings by then."""
    columns = [np.ones(exams.rows), exams.column("comparison"), *(exams.column(term) for term in stage.terms)]
    if stage.findings:
        for column, maneuver in enumerate(found.maneuvers):
            if condition in context.contract.catalogue.maneuvers[maneuver].conditions:
                columns += [found.result[:, column] == result for result in (POSITIVE, NEGATIVE)]
    return np.column_stack(columns).astype(np.float64)


def _in_numbers(context: DrawContext, exams: Features, probability: Floats) -> Floats:
    """The nearest number of each examiner's scale."""
    spoken = np.empty_like(probability)
    for name, scale in context.scenario.forecasts.numbers.items():
        speaks = np.array([each.numbers == name for each in context.scenario.examiners])[exams.numbers["examiner"]]
        numbers = np.array(scale)
        middle = (numbers[1:] + numbers[:-1]) / 2
        spoken[speaks] = numbers[np.searchsorted(middle, probability[speaks])]
    return spoken
