"""What a whole pattern of findings is worth: its likelihood ratio as counted, and from a model where it is rare."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations, product
from types import MappingProxyType

import numpy as np

from examtally.analytics.intervals import FloatArray
from examtally.analytics.logistic import fit_logistic
from examtally.analytics.test_combinations.joint import JointFindings, tally
from examtally.analytics.verification_bias.terms import KNEES_A_TERM


@dataclass(frozen=True)
class Pattern:
    """One pattern, as signs in the order of the maneuvers: `++-`.

    `counts` tells knees with this pattern from all others, as `tally` gives them; `model_lr` is the likelihood ratio of
    the model, None where it cannot be fitted.
    """

    maneuvers: tuple[str, ...]
    signs: str
    counts: Mapping[str, int]
    model_lr: float | None

    @property
    def seen(self) -> int:
        """Knees with this pattern."""
        return self.counts["tp"] + self.counts["fp"]


def patterns(joint: JointFindings, *, penalty: float = 1.0) -> tuple[Pattern, ...]:
    """Every pattern of the maneuvers of `joint`, all positive first, on knees where each of them gave a finding.

    The model is a logistic regression of the condition on the findings, and on the products of two of them where there
    are five knees of the smaller class for each term, with a ridge of `penalty` on standardised columns: patterns
    borrow from those that differ from them in one finding. Its likelihood ratio is the odds it gives, over the odds
    among these knees.

    >>> joint = JointFindings.of([[1, 1]] * 6 + [[1, 0]] * 3 + [[0, 0]] * 6, [1] * 5 + [0, 1, 1, 0] + [0] * 5 + [1])
    >>> [(one.signs, one.counts["tp"], one.counts["fp"]) for one in patterns(joint)]
    [('++', 5, 1), ('+-', 2, 1), ('-+', 0, 0), ('--', 1, 5)]

    Source: the ratio of posterior to prior odds, Albert A. Clin Chem 1982;28:1113-1119.
    """
    whole = joint.among(joint.maneuvers)
    positive = whole.findings > 0
    every = np.array(list(product((True, False), repeat=len(joint.maneuvers))), dtype=bool)
    modelled = _modelled(whole, every, penalty)
    return tuple(
        Pattern(
            joint.maneuvers,
            "".join("+" if sign else "-" for sign in signs),
            MappingProxyType(tally((positive == signs).all(axis=1), whole.present, whole.participant)),
            ratio,
        )
        for signs, ratio in zip(every, modelled, strict=True)
    )


def _modelled(whole: JointFindings, every: FloatArray, penalty: float) -> list[float | None]:
    events = int(whole.present.sum())
    if not 0 < events < whole.present.size:
        return [None] * len(every)
    terms = min(events, whole.present.size - events) // KNEES_A_TERM
    model = fit_logistic(_columns(whole.findings, terms), whole.present, penalty=penalty)
    prior = np.log(events / (whole.present.size - events))
    return [float(ratio) for ratio in np.exp(model.log_odds(_columns(every.astype(np.float64), terms)) - prior)]


def _columns(findings: FloatArray, most: int) -> FloatArray:
    """Findings, and the products of two of them if there may be so many terms."""
    pairs = list(combinations(range(findings.shape[1]), 2))
    if findings.shape[1] + len(pairs) > most:
        return findings
    return np.column_stack([findings, *(findings[:, i] * findings[:, j] for i, j in pairs)])
