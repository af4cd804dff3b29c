"""What a chart promises: how often a stable clinic gets a false signal, how soon a shift gives a true one.

The state of a chart is the run it is in: 1 to 7 points above the centre, as many below, or none. From each state the
next point signals, lengthens the run or begins another; so the chances follow from a Markov chain (Champ & Woodall,
Technometrics 1987;29:393-399), averaged over what the baseline leaves open about the true share and spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, binom, chi2, norm

from examtally.analytics.control_charts.shares import RUN, SIGMAS, share_limits
from examtally.analytics.intervals import FloatArray

YEAR = 12
ODDS = 2.0
_NODES = 31
_SPREADS = 9
_STATES = 2 * RUN - 1


@dataclass(frozen=True)
class Promise:
    """What a chart promises.

    `false_signal`: chance of a false signal within twelve periods of a stable clinic; `shift`: a share that is looked
    for; `delay`: periods until it gives a signal, on average. The last two are None where no shift is named.
    """

    false_signal: float
    shift: float | None
    delay: float | None


def shifted(share: float) -> float:
    """The share after its odds have changed by a factor of two, towards a half.

    >>> round(shifted(0.1), 3), round(shifted(0.9), 3)
    (0.182, 0.818)
    """
    odds = share / (1 - share) * (ODDS if share <= 0.5 else 1 / ODDS)
    return odds / (1 + odds)


def binomial_promise(events: int, total: int, size: int) -> Promise:
    """For a p-chart whose baseline had `events` of `total` and whose periods hold about `size`.

    The true share has the distribution Beta(events + 1/2, total - events + 1/2).
    """
    centre = events / total
    low, high = (limit[0] for limit in share_limits(centre, np.array([size])))
    truth = beta.ppf(_middles(_NODES), events + 0.5, total - events + 0.5)

    def parts(share: FloatArray) -> FloatArray:
        under, over = binom.cdf(np.ceil(size * low - 1e-9) - 1, size, share), binom.sf(size * high + 1e-9, size, share)
        above = binom.sf(np.floor(size * centre + 1e-9), size, share) - over
        below = binom.cdf(np.ceil(size * centre - 1e-9) - 1, size, share) - under
        return np.stack([under + over, above, below])

    aim = shifted(centre)
    return Promise(
        _within_a_year(parts(np.array([centre])), parts(truth)), aim, _delay(parts(_moved(truth, aim, centre)))
    )


def normal_promise(centre: float, size: int, sigma: float, periods: int) -> Promise:
    """For a p'-chart of dispersion `sigma` found in `periods` periods of about `size`.

    Values are normal; the centre is off by a normal error, and the true spread follows from a chi-squared with
    0.62 (periods - 1) degrees of freedom, those of a mean moving range (Wheeler, Advanced Topics in Statistical Process
    Control, table of degrees of freedom).
    """
    freedom = 0.62 * (periods - 1)
    spread = np.sqrt(freedom / chi2.ppf(_middles(_SPREADS), freedom))[:, None]
    off = norm.ppf(_middles(_NODES))[None, :] / np.sqrt(periods)

    def parts(move: float, off: FloatArray = off, spread: FloatArray = spread) -> FloatArray:
        at = off + move / spread
        limit = SIGMAS / spread
        over, under = norm.sf(limit - at), norm.cdf(-limit - at)
        above = norm.sf(-at) - over
        return np.stack([over + under, above, 1 - over - under - above]).reshape(3, -1)

    aim = shifted(centre)
    deviation = sigma * np.sqrt(centre * (1 - centre) / size)
    fitted = parts(0.0, np.zeros((1, 1)), np.ones((1, 1)))
    return Promise(_within_a_year(fitted, parts(0.0)), aim, _delay(parts((aim - centre) / deviation)))


def median_promise(periods: int) -> Promise:
    """For a run chart about the median of `periods` values: how often eight in a row fall on one side by chance.

    The true share of values above that median has the distribution Beta(m + 1/2, m + 1/2), m half the periods. No
    shift is named, since the spread of the values is not assumed.
    """
    above = beta.ppf(_middles(_NODES), periods / 2 + 0.5, periods / 2 + 0.5)
    fitted = np.array([[0.0], [0.5], [0.5]])
    return Promise(_within_a_year(fitted, np.stack([np.zeros(_NODES), above, 1 - above])), None, None)


def _middles(number: int) -> FloatArray:
    middles: FloatArray = (np.arange(number) + 0.5) / number
    return middles


def _moved(truth: FloatArray, aim: float, centre: float) -> FloatArray:
    """Every possible true share, its odds changed as those of the centre are."""
    factor = aim / (1 - aim) / (centre / (1 - centre))
    odds = truth / (1 - truth) * factor
    moved: FloatArray = odds / (1 + odds)
    return moved


def _steps(parts: FloatArray) -> FloatArray:
    """Transitions between runs without a signal, (nodes, states, states); `parts` are chances of outside, above, below.

    State 0 is no run, 1 to 7 a run above, 8 to 14 one below.
    """
    out, above, below = parts
    steps = np.zeros((out.size, _STATES, _STATES))
    for state in range(_STATES):
        up = state + 1 if state < RUN - 1 else (None if state == RUN - 1 else 1)
        down = RUN if state < RUN else (None if state == _STATES - 1 else state + 1)
        if up is not None:
            steps[:, state, up] += above
        if down is not None:
            steps[:, state, down] += below
        steps[:, state, state] += 1 - out - above - below
    return steps


def _within_a_year(fitted: FloatArray, parts: FloatArray) -> float:
    """Chance of a signal within twelve points, after a baseline to which the centre is `fitted`."""
    begun = np.linalg.matrix_power(_steps(fitted), YEAR)[0, 0, :]
    kept = (begun / begun.sum()) @ np.linalg.matrix_power(_steps(parts), YEAR)
    return float(1 - kept.sum(axis=1).mean())


def _delay(parts: FloatArray) -> float:
    """Mean number of points to the first signal, from no run on."""
    steps = _steps(parts)
    waits = np.linalg.solve(np.eye(_STATES) - steps, np.ones((steps.shape[0], _STATES, 1)))
    return float(waits[:, 0, 0].mean())
