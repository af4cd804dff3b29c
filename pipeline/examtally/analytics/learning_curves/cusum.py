"""Learning of one procedure by one person: has the level been reached (LC-CUSUM), and is it kept (CUSUM).

A chart adds a weight after each case, never falls below 0 and signals when it reaches its limit. Its probabilities of a
signal within a planned number of cases come from a Markov chain over the values the score can take, without simulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from examtally.analytics.learning_curves.markov_chain import TooManyScoresError, signal_chain

LEAST_TRUE_SIGNAL = 0.8


@dataclass(frozen=True)
class Weights:
    """What one case adds to the score: after a success and after a failure (log-likelihood ratios)."""

    success: float
    failure: float


@dataclass(frozen=True)
class CusumDesign:
    """A chart for a planned number of cases.

    `limit` is None where the planned number cannot give the asked chance of a true signal at the false-signal
    probability allowed; `false_signal` and `true_signal` are the exact probabilities at `needed`, the limit that would
    be needed. All three are None where the levels are so near and the cases so many that they cannot be worked out.
    """

    weights: Weights
    limit: float | None
    needed: float | None
    false_signal: float | None
    true_signal: float | None
    planned: int


def lccusum_weights(p_acceptable: float, p_unacceptable: float) -> Weights:
    """Weights of the LC-CUSUM: success pushes up, towards "has reached the level".

    The null hypothesis is a failure probability of `p_unacceptable`, the alternative `p_acceptable` (Biau & Porcher
    2010, Statistics in Medicine 29:1900-1909). ValueError unless 0 < p_acceptable < p_unacceptable < 1.

    >>> weights = lccusum_weights(0.10, 0.25)
    >>> round(weights.success, 4), round(weights.failure, 4)
    (0.1823, -0.9163)
    """
    _check(p_acceptable, p_unacceptable)
    return Weights(log((1 - p_acceptable) / (1 - p_unacceptable)), log(p_acceptable / p_unacceptable))


def cusum_weights(p_acceptable: float, p_unacceptable: float) -> Weights:
    """Weights of the monitoring CUSUM: failure pushes up, towards "has left the level".

    Page 1954, Biometrika 41:100-115; Steiner et al. 2000, Biostatistics 1:441-452, without adjustment for risk.
    ValueError unless 0 < p_acceptable < p_unacceptable < 1.
    """
    turned = lccusum_weights(p_acceptable, p_unacceptable)
    return Weights(-turned.success, -turned.failure)


def risk_adjusted_weights(risk: float, odds_ratio: float, reference_odds_ratio: float = 1.0) -> Weights:
    """Weights of one case of expected failure `risk`: odds multiplied by `odds_ratio` against `reference_odds_ratio`.

    Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441-452, with an odds-ratio alternative. ValueError for a
    risk outside (0, 1) or an odds ratio that is not positive.

    >>> doubled = risk_adjusted_weights(0.1, 2)
    >>> round(doubled.failure, 4), round(doubled.success, 4)
    (0.5978, -0.0953)
    """
    if not 0 < risk < 1:
        raise ValueError("risk must lie between 0 and 1")
    if min(odds_ratio, reference_odds_ratio) <= 0:
        raise ValueError("odds ratios must be above 0")
    success = log((1 - risk + reference_odds_ratio * risk) / (1 - risk + odds_ratio * risk))
    return Weights(success, success + log(odds_ratio / reference_odds_ratio))


def signal_probability(weights: Weights, limit: float, p_failure: float, cases: int) -> float:
    """Probability that the score reaches `limit` within `cases` cases of failure probability `p_failure`.

    Exact: the distribution over every value the score can take below the limit is carried from case to case (Brook &
    Evans 1972, Biometrika 59:539-549, with the values themselves as states). ValueError for a limit that is not above
    0, a probability outside 0-1, fewer cases than 0, and more values than can be followed.

    >>> round(signal_probability(lccusum_weights(0.10, 0.20), 1.25, 0.20, 50), 2)
    0.65
    """
    if limit <= 0 or not 0 <= p_failure <= 1 or cases < 0:
        raise ValueError("limit must be above 0, p_failure within 0-1 and cases 0 or more")
    return signal_chain(weights.success, weights.failure, limit, cases).signal_probability(p_failure, cases)


def design(
    p_acceptable: float, p_unacceptable: float, planned: int, false_signal: float, *, is_monitoring: bool = False
) -> CusumDesign:
    """Lowest limit whose false-signal probability over `planned` cases is at most `false_signal`, with its power.

    A false signal is one of the LC-CUSUM at `p_unacceptable`, of the monitoring CUSUM at `p_acceptable`; a true signal
    the other way round. Bisection on the exact probability, to 0.001 of the score, from log(planned / false_signal)
    down: the score's steps are log-likelihood ratios, so that no limit above that is ever needed (Doob's inequality for
    the Shiryaev-Roberts sum). `limit` is None where a true signal within the planned number is less likely than 80 %.

    ValueError for probabilities out of order, a planned number below 1 and a `false_signal` outside (0, 1).

    >>> chart = design(0.10, 0.25, 100, 0.05)
    >>> round(chart.limit, 2), round(chart.false_signal, 3), round(chart.true_signal, 2)
    (4.38, 0.05, 0.94)
    >>> short = design(0.10, 0.25, 50, 0.05)
    >>> short.limit is None, round(short.needed, 2), round(short.true_signal, 2)
    (True, 3.64, 0.73)
    """
    if planned < 1 or not 0 < false_signal < 1:
        raise ValueError("planned must be 1 or more and false_signal between 0 and 1")
    weights = (cusum_weights if is_monitoring else lccusum_weights)(p_acceptable, p_unacceptable)
    null, true = (p_acceptable, p_unacceptable) if is_monitoring else (p_unacceptable, p_acceptable)
    try:
        needed = _lowest(weights, null, planned, false_signal)
        attained, chance = (signal_probability(weights, needed, failing, planned) for failing in (null, true))
    except TooManyScoresError:
        return CusumDesign(weights, None, None, None, None, planned)
    return CusumDesign(weights, needed if chance >= LEAST_TRUE_SIGNAL else None, needed, attained, chance, planned)


def _lowest(weights: Weights, null: float, planned: int, false_signal: float) -> float:
    """Lowest limit that keeps false signals to what is allowed, from above, to 0.001."""
    low, high = 0.0, log(planned / false_signal)
    while high - low > 1e-3:
        middle = (low + high) / 2
        if signal_probability(weights, middle, null, planned) <= false_signal:
            high = middle
        else:
            low = middle
    return high


def _check(p_acceptable: float, p_unacceptable: float) -> None:
    if not 0 < p_acceptable < p_unacceptable < 1:
        raise ValueError("failure probabilities must satisfy 0 < p_acceptable < p_unacceptable < 1")
