"""Each examiner's logits made comparable before pooling: corrected for who was verified, or for who was examined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.logistic import fit_logistic
from examtally.analytics.verification_bias.aipw import augmented
from examtally.analytics.verification_bias.grouped import Grouped, IntArray
from examtally.processes import one_thread

_STEPS, _CERTAIN = 25, 1e-9
_MOST_CORRELATION, _STEADY = 0.95, 10.0
SIDES = ((0, 2), (3, 1))
"""Places of the right and the wrong findings of each class among tp, fp, fn, tn."""


@dataclass(frozen=True)
class ExaminerLogits:
    """`logits` of sensitivity and specificity (e, 2), NaN where there is none, and their `covariance` (e, 2, 2).

    `common` (2, 2), where there is one, is the covariance of an error that all examiners share.
    """

    logits: FloatArray
    covariance: FloatArray
    common: FloatArray | None = None


def verified_logits(
    positive: BoolArray,
    present: BoolArray,
    verified: BoolArray,
    chance: FloatArray,
    expected: FloatArray,
    examiner: npt.ArrayLike,
    examiners: int,
    cluster: npt.ArrayLike,
) -> ExaminerLogits:
    """Doubly robust logits of every examiner, one knee at the group's share added to each class.

    Knees (n,): the finding, the condition (ignored where not `verified`), the modelled `chance` of verification and
    `expected` probability of the condition for all examiners alike, the examiner (from 0), and the participant
    (`cluster`). Each examiner's habit of imaging is fitted on top of `chance`: a shift after a positive and after a
    negative finding, both with a normal(0, 1) prior. Variances come from the influence function summed over
    participants and are never below those of as many knees all verified. NaN where the examiner has no verified knee of
    the class.

    Source: Alonzo TA, Pepe MS. J R Stat Soc C 2005;54:173-190, eq. 6.
    """
    code = np.asarray(examiner).astype(np.int64)
    own = habits(chance, positive, verified, code, examiners)
    rows = augmented(positive, present, verified, own, expected)
    grouped = Grouped.of(cluster).by(code, examiners)
    sums, products = grouped.sums(rows), grouped.products(rows)
    people = np.maximum(grouped.clusters(), 2.0)
    found = [ClassLogits.of(sums[:, events], sums[:, others]) for events, others in SIDES]
    weights = [side.weights(events, others) for side, (events, others) in zip(found, SIDES, strict=True)]
    spread = np.empty((examiners, 2, 2))
    for i, first in enumerate(weights):
        for j, second in enumerate(weights):
            raw = np.einsum("ec,ecd,ed->e", first, products, second)
            centre = (first * sums).sum(axis=1) * (second * sums).sum(axis=1) / people
            spread[:, i, j] = (raw - centre) * people / (people - 1)
    least = np.stack([side.least for side in found], axis=1)
    logits = np.stack([side.logit for side in found], axis=1)
    seen = np.stack([np.bincount(code, verified & side, examiners) for side in (present, ~present)], axis=1)
    return ExaminerLogits(np.where(seen > 0, logits, np.nan), sound(spread, least))


@dataclass(frozen=True)
class ClassLogits:
    """Corrected knees of one class, (e,): their smoothed number, the logit, and the share at which variances are taken.

    One knee at the group's share is added to every examiner: adding halves would draw small examiners to 50 %.
    Variances are taken at a share ten knees towards the group's, so that chance in it does not set the weight.
    """

    size: FloatArray
    logit: FloatArray
    share: FloatArray

    @classmethod
    def of(cls, events: FloatArray, others: FloatArray) -> ClassLogits:
        x, rest = np.maximum(events, 0.0), np.maximum(others, 0.0)
        group = float(np.clip((x.sum() + 0.5) / (x.sum() + rest.sum() + 1.0), 0.01, 0.99))
        share = (x + _STEADY * group) / (x + rest + _STEADY)
        return cls(x + rest + 1.0, np.log((x + group) / (rest + 1.0 - group)), share)

    @property
    def least(self) -> FloatArray:
        """Variance of the logit were every knee verified."""
        return 1.0 / (self.size * self.share * (1.0 - self.share))

    def weights(self, events: int, others: int) -> FloatArray:
        """Weight of each of four cells in the logit, (e, 4)."""
        weights = np.zeros((self.size.size, 4))
        weights[:, events] = 1.0 / (self.size * self.share)
        weights[:, others] = -1.0 / (self.size * (1.0 - self.share))
        return weights


def habits(
    chance: FloatArray, positive: BoolArray, verified: BoolArray, examiner: IntArray, examiners: int
) -> FloatArray:
    """The chance of verification, (n,), with each examiner's own habit after either finding; prior normal(0, 1)."""
    pattern = examiner * 2 + positive
    offset = logit(np.clip(chance, _CERTAIN, 1 - _CERTAIN))
    shift = np.zeros(2 * examiners)
    for _ in range(_STEPS):
        p = expit(offset + shift[pattern])
        slope = np.bincount(pattern, verified - p, shift.size) - shift
        step = slope / (1.0 + np.bincount(pattern, p * (1 - p), shift.size))
        shift += np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < 1e-8:
            break
    return np.asarray(np.clip(expit(offset + shift[pattern]), _CERTAIN, 1.0))


def case_mix_logits(
    correct: BoolArray, present: BoolArray, covariates: FloatArray, examiner: npt.ArrayLike, examiners: int
) -> ExaminerLogits:
    """Logits of every examiner as if each had examined the whole group's verified knees.

    Verified knees (n,): whether the finding was `correct`, the condition, `covariates` (n, k) of the case mix, and the
    examiner. For each class, a logistic model of correctness on the covariates (normal(0, 1) prior on standardised
    coefficients) gives each knee's ease, each examiner has an intercept over it (one knee at the group's share added),
    and the mean over the group's knees is the standardised figure. What makes a knee easy is told from knees of one
    examiner: a model of all knees together would call those easy that skilled examiners see. NaN where the examiner has
    no knee of a class.

    Source: direct standardisation by model: Lane PW, Nelder JA. Biometrics 1982;38:613-621; means of the examiner
    beside distances from them: Mundlak Y. Econometrica 1978;46:69-85.
    """
    code = np.asarray(examiner).astype(np.int64)
    logits, covariance = np.full((examiners, 2), np.nan), np.tile(np.eye(2), (examiners, 1, 1))
    for place, side in enumerate((present, ~present)):
        if not side.any():
            continue
        ease = _ease(correct[side], covariates[side], code[side])
        logits[:, place], covariance[:, place, place] = _standardised(correct[side], ease, code[side], examiners)
    return ExaminerLogits(logits, covariance)


def _ease(correct: BoolArray, covariates: FloatArray, examiner: IntArray) -> FloatArray:
    """Log-odds of a correct finding beside the mean knee's, (n,), by slopes within examiners."""
    if not covariates.shape[1] or correct.all() or not correct.any():
        return np.zeros(correct.size)
    knees = np.maximum(np.bincount(examiner), 1)
    means = np.column_stack([(np.bincount(examiner, column) / knees)[examiner] for column in covariates.T])
    within = covariates - means
    with one_thread():
        fit = fit_logistic(np.column_stack([within, means]), correct)
    raw = covariates @ fit.coefficients[1 : 1 + covariates.shape[1]]
    return np.asarray(raw - raw.mean())


def _standardised(
    correct: BoolArray, ease: FloatArray, code: IntArray, examiners: int
) -> tuple[FloatArray, FloatArray]:
    """Standardised logit of every examiner and its variance, (e,) each."""
    group = float(np.clip((correct.sum() + 0.5) / (correct.size + 1.0), 0.01, 0.99))
    level = np.full(examiners, logit(group))
    for _ in range(_STEPS):
        p, middle = expit(level[code] + ease), expit(level)
        slope = np.bincount(code, correct - p, examiners) + group - middle
        step = slope / (np.bincount(code, p * (1 - p), examiners) + middle * (1 - middle))
        level += np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < 1e-9:
            break
    values, counts = np.unique(ease.round(9), return_counts=True)
    standard = (expit(level[:, None] + values) @ counts) / counts.sum()
    n = np.bincount(code, minlength=examiners)
    share = (n * expit(level) + _STEADY * group) / (n + _STEADY)
    p = expit(logit(share)[code] + ease)
    information = np.bincount(code, p * (1 - p), examiners) + share * (1 - share)
    chance = expit(logit(share)[:, None] + values)
    mean = chance @ counts / counts.sum()
    change = (chance * (1 - chance)) @ counts / counts.sum() / (mean * (1 - mean))
    return np.where(n > 0, logit(standard), np.nan), change**2 / information


def sound(spread: FloatArray, least: FloatArray) -> FloatArray:
    """Variances not below the least, and a covariance that leaves the matrix positive definite."""
    variance = np.maximum(spread[:, [0, 1], [0, 1]], least)
    most = _MOST_CORRELATION * np.sqrt(variance.prod(axis=1))
    between = np.clip(spread[:, 0, 1], -most, most)
    covariance = np.empty_like(spread)
    covariance[:, 0, 0], covariance[:, 1, 1] = variance.T
    covariance[:, 0, 1] = covariance[:, 1, 0] = between
    return covariance
