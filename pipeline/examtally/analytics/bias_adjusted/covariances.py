"""How sure two figures of one maneuver are together, on the logit scale: what a group releases for others to pool."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logit

from examtally.analytics.bias_adjusted.model import ConditionModel
from examtally.analytics.intervals import FloatArray

_EDGE = 1e-3


@dataclass(frozen=True)
class LogitCovariance:
    """Covariance (2, 2) of the logits of sensitivity and specificity, and the part of it that all groups share.

    The shared part stems from what is taken for granted of the reference tests: the more these knees tell of their
    errors, the smaller it is.
    """

    whole: FloatArray
    shared: FloatArray


def logit_covariance(model: ConditionModel, sensitivity: FloatArray, specificity: FloatArray) -> LogitCovariance:
    """Covariance for draws of both figures of one maneuver, (draws,) each.

    The shared part regresses the figures on the logit accuracies of the reference tests, and takes of each as much of
    its variance as the data have left of that believed beforehand.
    """
    known, left = _references(model)
    logits = logit(np.clip(np.array([sensitivity, specificity]), _EDGE, 1 - _EDGE))
    whole, shared = np.cov(logits), np.zeros((2, 2))
    if known.size:
        centred = known - known.mean(axis=1, keepdims=True)
        slope = np.linalg.lstsq(centred.T, (logits - logits.mean(axis=1, keepdims=True)).T, rcond=None)[0].T
        shared = (slope * (left * known.var(axis=1))) @ slope.T
    return LogitCovariance(whole, shared)


def _references(model: ConditionModel) -> tuple[FloatArray, FloatArray]:
    """Draws (q, draws) of the logit accuracies of all tests that err, and the share of each's variance that is left."""
    parts = [part for part in model.parts or (model,) if part.priors]
    if not parts:
        return np.empty((0, 0)), np.empty(0)
    draws = min(part.parameters.shape[1] for part in parts)
    known = np.concatenate([part.parameters[-len(part.priors) :, :draws] for part in parts])
    before = np.array([prior.spread**2 for part in parts for prior in part.priors])
    return known, np.minimum(known.var(axis=1) / before, 1.0)
