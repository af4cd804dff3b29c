"""Clinics made by chance: examiners of known skill who state what they believe, and a reference that errs."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl
from scipy.special import expit, logit

from examtally.analytics.bias_adjusted.knees import StatusKnees, StatusRecords
from examtally.analytics.bias_adjusted.model import AccuracyPrior, BiasModels, fit
from examtally.analytics.bias_adjusted.terms import TermList

CONDITION = "acl_tear"
MANEUVERS = ("lachman", "anterior_drawer")
NOT_DONE = ("drop_leg_lachman", "pivot_shift", "lever_sign")
MRI = (0.88, 0.93)
_SKILL = ((0.80, 0.85), (0.62, 0.90))  # sensitivity and specificity of each maneuver in middling hands
_SPREAD = 0.4  # of the logits between examiners
_PRIORS = (
    AccuracyPrior("mri", "sensitivity", float(logit(0.88)), 0.3, is_assumed=False),
    AccuracyPrior("mri", "specificity", float(logit(0.93)), 0.3, is_assumed=False),
)
_DELTA = (-0.3, 0.4)
_DRAWS = 400


@dataclass(frozen=True)
class HiddenClinic:
    """Records and models as an analysis has them, and what is hidden from it.

    `present` (n,), `examiner` (n,) from 0, `believed` (n,) the chance of the condition given all the examiner knows,
    `skill` (maneuvers, 2, e): every examiner's true sensitivity and specificity. `stated` is what is written down.
    """

    records: StatusRecords
    models: BiasModels
    stated: pl.DataFrame
    present: np.ndarray
    examiner: np.ndarray
    believed: np.ndarray
    skill: np.ndarray


def hidden_clinic(
    seed: int, *, knees: int = 1500, examiners: int = 10, confidence: float = 1.0, spread: float = _SPREAD
) -> HiddenClinic:
    """Draw one knee a person, examined in both maneuvers by one examiner, and fit who has the condition.

    What is stated is the chance given history, findings and the examiner's own skill, its log odds times `confidence`.
    Imaging follows what is stated, surgery what is read; nothing else does.
    """
    rng = np.random.default_rng(seed)
    examiner = rng.integers(0, examiners, knees)
    odds = rng.normal(-1.6, 1.2, knees)
    present = rng.random(knees) < expit(odds)
    skill = expit(logit(np.array(_SKILL))[:, :, None] + spread * rng.standard_normal((2, 2, examiners)))
    found = []
    for sensitivity, specificity in skill[:, :, examiner]:
        positive = rng.random(knees) < np.where(present, sensitivity, 1 - specificity)
        odds = odds + np.where(
            positive, np.log(sensitivity / (1 - specificity)), np.log((1 - sensitivity) / specificity)
        )
        found.append(positive)
    said = expit(confidence * odds).round(2)
    imaged = rng.random(knees) < expit(-0.3 + 0.6 * odds)
    reads = np.where(imaged, rng.random(knees) < np.where(present, MRI[0], 1 - MRI[1]), np.nan)
    operated = imaged & (rng.random(knees) < np.where(reads == 1, 0.6, 0.08))
    truth = np.where(operated, present, np.nan)
    return HiddenClinic(*_analysed(found, examiner, said, reads, truth, seed), present, examiner, expit(odds), skill)


def _analysed(
    found: list[np.ndarray], examiner: np.ndarray, said: np.ndarray, reads: np.ndarray, truth: np.ndarray, seed: int
) -> tuple[StatusRecords, BiasModels, pl.DataFrame]:
    knees = said.size
    best = np.where(np.isnan(truth), reads, truth)
    frame = pl.DataFrame(
        {
            **{f"result_{m}": np.where(f, "positive", "negative") for m, f in zip(MANEUVERS, found, strict=True)},
            **dict.fromkeys((f"result_{m}" for m in NOT_DONE), "not_recorded"),
            f"status_{CONDITION}": np.where(np.isnan(best), "unverified", np.where(best == 1, "present", "absent")),
            "participant": np.arange(knees) + 1,
            "examiner": examiner + 1,
            "knee": np.arange(knees),
            "period": np.where(np.arange(knees) % 2 == 0, "2026-01", "2026-02"),
            "role": np.where(examiner % 2 == 0, "attending", "resident"),
        }
    )
    terms = TermList(knees)
    for name, positive in zip(MANEUVERS, found, strict=True):
        terms.add(name, positive.astype(float), (0.3, 0.8))
    terms.add("stated", logit(np.clip(said, 0.02, 0.98)), (0.7, 0.3), is_scaled=False)
    made = StatusKnees(
        condition=CONDITION,
        frame=frame,
        rows=np.arange(knees),
        participants=np.arange(knees),
        terms=terms.done(),
        modalities=("mri",),
        reads=reads[:, None],
        truth=truth,
    )
    models = BiasModels(MappingProxyType({CONDITION: fit(made, _PRIORS, _DRAWS, seed, *_DELTA)}), MappingProxyType({}))
    stated = pl.DataFrame(
        {"row": np.arange(knees), "condition": CONDITION, "forecast": "examiner_after_exam", "probability": said}
    )
    return StatusRecords(frame, pl.DataFrame(), pl.DataFrame()), models, stated
