"""Two groups compared as if both had seen the same knees: regression standardisation, examiners as clusters."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import expit
from scipy.stats import t as student
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.tools.sm_exceptions import PerfectSeparationError

from examtally.analytics.comparison.examiner_clusters import ENOUGH_EXAMINERS
from examtally.analytics.intervals import BoolArray, FloatArray, t_quantile
from examtally.analytics.verification_bias.terms import KNEES_A_TERM, Variable, choose, levels

_FARTHEST = 12.0  # log-odds beyond which a fit is one of separated knees
_FEWEST_EXAMINERS = 2
_SINGULAR, _LEAST_LEFT = 1e10, 1e-3


@dataclass(frozen=True)
class Standardised:
    """Both proportions in the knees of both groups, their difference and its variance; `taken` names the case mix."""

    estimate_a: float
    estimate_b: float
    variance: float
    df: float
    taken: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def value(self) -> float:
        """a - b."""
        return self.estimate_a - self.estimate_b

    @property
    def p_value(self) -> float:
        """Two-sided, t on `df`."""
        return float(2 * student.sf(abs(self.value) / np.sqrt(self.variance), self.df))

    def limits(self, level: float) -> tuple[float, float]:
        """Limits of the difference, within -1 and 1."""
        half = float(t_quantile(level, self.df)) * np.sqrt(self.variance)
        low, high = np.clip([self.value - half, self.value + half], -1.0, 1.0)
        return float(low), float(high)


def standardise_groups(
    is_event: BoolArray, is_first: BoolArray, examiner: FloatArray, mix: pl.DataFrame
) -> Standardised | None:
    """Compare a proportion between the `is_first` knees and the others at one case mix; arrays (n,), `mix` of Enums.

    A logistic model of the group and the columns of `mix`, which enter in their order while every five knees of the
    rarer outcome allow a term; one that separates the outcomes is passed over. The proportion that the model gives for
    every knee in either group is averaged over the knees of both. Examiners are clusters: delta method, with the mean
    of two standard errors that allow for few clusters (of Kauermann and Carroll, too small, and of Mancl and DeRouen,
    too large), with few examiners never below that of independent knees, t on examiners - 2. None where nothing of
    `mix` can enter or where a group has fewer than two examiners.

    Source: Localio AR, Margolis DJ, Berlin JA. J Clin Epidemiol 2007;60:874-882 (standardised differences from a
    logistic model); Ford WP, Westgate PM. Biom J 2017;59:478-495 (the mean of the two errors).
    """
    few = min(int(is_event.sum()), int((~is_event).sum()))
    behind = min(np.unique(examiner[side]).size for side in (is_first, ~is_first))
    outcome, groups = is_event.astype(np.float64), np.column_stack([np.ones(is_event.size), is_first])
    design, columns, beta = _chosen(outcome, groups.astype(np.float64), mix, few // KNEES_A_TERM - 1)
    if beta is None or behind < _FEWEST_EXAMINERS:
        return None
    (first, slope), (second, other) = (_averaged(columns, beta, of_first) for of_first in (1.0, 0.0))
    by_examiner, independent = _errors(slope - other, columns, outcome - expit(columns @ beta), beta, examiner)
    error = max(by_examiner, independent) if behind < ENOUGH_EXAMINERS else by_examiner
    df = float(np.unique(examiner).size - 2)
    left_out = tuple(name for name in mix.columns if name not in design)
    return Standardised(first, second, error**2, df, design, left_out) if error > 0 else None


def _chosen(
    outcome: FloatArray, groups: FloatArray, mix: pl.DataFrame, room: int
) -> tuple[tuple[str, ...], FloatArray, FloatArray | None]:
    """The case mix that enters, the columns of the model and its coefficients, None where nothing can enter."""
    taken: tuple[str, ...] = ()
    columns, beta = groups, None
    for name in mix.columns:
        tried = choose((_variable(mix[one]) for one in (*taken, name)), room)
        if tried.left_out:
            break
        wider = np.column_stack([groups, tried.columns]) if tried.terms else groups
        found = _fitted(outcome, wider) if name in tried.variables else None
        if found is not None:
            taken, columns, beta = tried.variables, wider, found
    return taken, columns, beta


def _fitted(outcome: FloatArray, columns: FloatArray) -> FloatArray | None:
    """Coefficients of the logistic model; None where outcomes are separated."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of separated outcomes, which are looked for below
        try:
            beta = np.asarray(GLM(outcome, columns, family=Binomial()).fit().params)
        except (np.linalg.LinAlgError, PerfectSeparationError, ValueError):
            return None
    chance = expit(columns @ beta)
    is_sound = np.isfinite(beta).all() and np.abs(columns @ beta).max() <= _FARTHEST
    information = (columns * (chance * (1 - chance))[:, None]).T @ columns
    return beta if is_sound and np.linalg.cond(information) < _SINGULAR else None


def _errors(
    slope: FloatArray, columns: FloatArray, residual: FloatArray, beta: FloatArray, examiner: FloatArray
) -> tuple[float, float]:
    """Standard error of what has this slope in the coefficients, by examiner and were knees independent.

    A Cholesky factor L of the inverse information turns the leverage of an examiner into L' G L with G their own part
    of the information; residuals are set free of what it leaves of 1: divided by it (Mancl, DeRouen) or by its root
    (Kauermann, Carroll).
    """
    chance = expit(columns @ beta)
    weight = chance * (1 - chance)
    factor = np.linalg.cholesky(np.linalg.inv((columns * weight[:, None]).T @ columns))
    squares = np.zeros(2)
    for one in np.unique(examiner):
        own = examiner == one
        leverage, turn = np.linalg.eigh(factor.T @ (columns[own] * weight[own, None]).T @ columns[own] @ factor)
        left = np.maximum(1 - leverage, _LEAST_LEFT)
        score = turn.T @ factor.T @ columns[own].T @ residual[own]
        for place, power in enumerate((0.5, 1.0)):
            squares[place] += (slope @ factor @ turn @ (score / left**power)) ** 2
    return float(np.sqrt(squares).mean()), float(np.linalg.norm(slope @ factor))


def _variable(values: pl.Series) -> Variable:
    return levels(values.name, values)


def _averaged(columns: FloatArray, beta: FloatArray, of_first: float) -> tuple[float, FloatArray]:
    """The mean proportion were every knee in one group, and its slope in the coefficients."""
    set_to = columns.copy()
    set_to[:, 1] = of_first
    chance = expit(set_to @ beta)
    return float(chance.mean()), (chance * (1 - chance)) @ set_to / chance.size


@dataclass(frozen=True)
class Balance:
    """Shares of one level of the case mix in both groups, and the difference over their common spread."""

    variable: str
    level: str
    share_a: float
    share_b: float

    @property
    def standardised(self) -> float:
        """(a - b) over the root of the mean of both variances; NaN where nothing varies.

        Source: Austin PC. Stat Med 2009;28:3083-3107, eq. 2.
        """
        spread = np.sqrt((self.share_a * (1 - self.share_a) + self.share_b * (1 - self.share_b)) / 2)
        return float((self.share_a - self.share_b) / spread) if spread > 0 else float("nan")


def balance(is_first: BoolArray, mix: pl.DataFrame) -> list[Balance]:
    """Every level of the case mix in the `is_first` knees and in the others; a missing value is the level unknown."""
    rows = []
    for name in mix.columns:
        values = mix[name].cast(pl.String).fill_null("unknown")
        for level in values.unique().sort():
            hit = (values == level).to_numpy()
            rows.append(Balance(name, level, float(hit[is_first].mean()), float(hit[~is_first].mean())))
    return rows
