"""Knees whose status is hidden behind a test that errs, made by chance without any clinic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import logit

from examtally.analytics.bias_adjusted.knees import StatusKnees
from examtally.analytics.bias_adjusted.model import AccuracyPrior
from examtally.analytics.bias_adjusted.terms import TermList

SENSITIVITY, SPECIFICITY = (0.80, 0.60), (0.85, 0.90)
MRI = (0.88, 0.93)
PRIORS = (
    AccuracyPrior("mri", "sensitivity", float(logit(0.88)), 0.3, is_assumed=False),
    AccuracyPrior("mri", "specificity", float(logit(0.93)), 0.3, is_assumed=False),
)


@dataclass(frozen=True)
class Hidden:
    """Knees as the model gets them, and what is hidden from it: (n,) whether the condition is there."""

    knees: StatusKnees
    present: np.ndarray

    def sample_shares(self, maneuver: str) -> tuple[float, float]:
        """Sensitivity and specificity of a finding in these very knees."""
        positive = (self.knees.frame[f"result_{maneuver}"] == "positive").to_numpy()
        return float(positive[self.present].mean()), float(1 - positive[~self.present].mean())


def hide(people: int, seed: int, *, is_perfect: bool = False, copies: int = 1) -> Hidden:
    """Draw one knee a person with two findings and MRI after them; `is_perfect`: surgery settles every knee.

    A positive finding makes MRI likelier, a present reading surgery. `copies` repeats everybody as somebody else.
    """
    rng = np.random.default_rng(seed)
    present = rng.random(people) < 0.3
    shared = rng.normal(0, 0.5, people)
    positive = np.array(
        [
            rng.random(people) < np.where(present, a, 1 - b) + 0.05 * np.sign(shared)
            for a, b in zip(SENSITIVITY, SPECIFICITY, strict=True)
        ]
    )
    imaged = rng.random(people) < np.where(positive.any(axis=0), 0.7, 0.25)
    says = rng.random(people) < np.where(present, MRI[0], 1 - MRI[1])
    operated = imaged & (rng.random(people) < np.where(says, 0.6, 0.08))
    reads = np.where(imaged, says, np.nan)
    truth = np.where(operated, present, np.nan)
    if is_perfect:
        reads, truth = np.full(people, np.nan), present.astype(float)
    positive, present = np.tile(positive, copies), np.tile(present, copies)
    reads, truth = np.tile(reads, copies), np.tile(truth, copies)
    knees = present.size
    frame = pl.DataFrame(
        {f"result_{name}": np.where(found, "positive", "negative") for name, found in zip("ab", positive, strict=True)}
    )
    terms = TermList(knees)
    for name, found in zip("ab", positive, strict=True):
        terms.add(name, found.astype(float), (0.3, 0.8))
    terms.add("noise", np.tile(rng.normal(size=people), copies), None)
    terms.add("more_noise", np.tile(rng.normal(size=people), copies), None)
    has_mri = not np.isnan(reads).all()
    hidden = StatusKnees(
        condition="acl_tear",
        frame=frame,
        rows=np.arange(knees),
        participants=np.arange(knees),
        terms=terms.done(),
        modalities=("mri",) if has_mri else (),
        reads=reads[:, None] if has_mri else np.empty((knees, 0)),
        truth=truth,
    )
    return Hidden(hidden, present)
