"""Forecasts of a penalised model for people it has not seen: nested cross-validation by participant."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from warnings import catch_warnings, simplefilter

import numpy as np
import numpy.typing as npt
from scipy.special import expit
from sklearn.model_selection import StratifiedKFold

from examtally.analytics.intervals import FloatArray, IntArray
from examtally.analytics.logistic import Logistic, fit_logistic, fit_without, log_loss


def deal(participant: npt.ArrayLike, outcome: npt.ArrayLike, parts: int, rng: np.random.Generator) -> IntArray:
    """Deal people into `parts` so that each has its share of those with an event: the part of each row.

    `participant` (n,) is any integer key, `outcome` (n,) 0 or 1. Without equal shares a part's prevalence would tell
    against the model that has not seen it, and an area under the curve come out below one half by chance.
    ValueError where there are fewer people than parts, or fewer than two parts.

    >>> deal([7, 7, 8, 9, 5], [1, 0, 0, 1, 0], 2, np.random.default_rng(1)).size
    5
    """
    who = np.unique(np.asarray(participant), return_inverse=True)[1]
    people = int(who.max(initial=-1)) + 1
    if not 2 <= parts <= people:
        raise ValueError(f"parts: a whole number from 2 to the {people} people")
    has_event = np.bincount(who, weights=np.asarray(outcome, dtype=np.float64), minlength=people) > 0
    smaller, larger = sorted((int(has_event.sum()), people - int(has_event.sum())))
    dealer = StratifiedKFold(parts, shuffle=True, random_state=int(rng.integers(2**31)))
    label = has_event > 0.5 if larger >= parts else np.zeros(people)
    part = np.empty(people, dtype=np.int64)
    with ExitStack() as quiet:
        if smaller < parts:  # some parts go without the rarer class: known, and not worth a warning
            quiet.enter_context(catch_warnings())
            simplefilter("ignore", UserWarning)
        for number, (_, inside) in enumerate(dealer.split(label, label)):
            part[inside] = number
    return part[who]


def check_parts(part: npt.ArrayLike, participant: npt.ArrayLike) -> None:
    """Raise ValueError where the knees of one person stand in two parts.

    >>> check_parts([0, 0, 1], [5, 5, 6])
    """
    people, who = np.unique(np.asarray(participant), return_inverse=True)
    parts, dealt = np.unique(np.asarray(part), return_inverse=True)
    if np.unique(who * parts.size + dealt).size != people.size:
        raise ValueError("the knees of one person stand in two parts: deal people, not knees")


_ENOUGH = 3_000  # knees that tell the penalty
_WORSE = 2  # penalties in a row, each worse than the one before, after which no smaller one is tried
GRID = 0.05
_MOST = 8.0


@dataclass(frozen=True)
class CrossFit:
    """How forecasts out of fold are made: outer and inner parts, the penalties tried, and the seed."""

    folds: int = 5
    inner_folds: int = 4
    penalties: tuple[float, ...] = (0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
    seed: int | tuple[int, ...] = 0


@dataclass(frozen=True)
class OutOfFold:
    """Log-odds (n,) of each knee by a model that saw none of its person's knees, its part (n,), penalty of each part.

    Log-odds are rounded to steps of 0.05 and kept within -8 and 8.
    """

    log_odds: FloatArray
    part: IntArray
    penalties: tuple[float, ...]

    @property
    def probability(self) -> FloatArray:
        """Forecast probability of each knee, (n,)."""
        return np.asarray(expit(self.log_odds))


def out_of_fold(
    design: npt.ArrayLike,
    outcome: npt.ArrayLike,
    participant: npt.ArrayLike,
    how: CrossFit | None = None,
    *,
    part: npt.ArrayLike | None = None,
    model: Logistic | None = None,
) -> OutOfFold:
    """Forecast every knee by a ridge model fitted without the part its person is in.

    `design` (n, k) numbers without gaps, `outcome` (n,) 0 or 1, `participant` (n,) any integer key. The penalty of each
    fit is chosen, by log score, within the other parts alone. `part` (n,) sets the parts instead of dealing them;
    ValueError where a person stands in two, or where the rest of the people are all of one class. `model` is the fit on
    all knees, where it is at hand: each fit begins there, which changes nothing but the number of steps.

    >>> x, y = np.tile([[0.0], [1.0]], (20, 1)), np.tile([0, 1], 20)
    >>> found = out_of_fold(x, y, np.arange(40), CrossFit(folds=4, penalties=(1.0,)))
    >>> bool((found.probability[y == 1] > 0.8).all()), np.bincount(found.part).tolist()
    (True, [10, 10, 10, 10])

    Source: Varma S, Simon R. BMC Bioinformatics 2006;7:91 (nested); Stone M. J R Stat Soc B 1974;36:111-147.
    """
    chosen = how or CrossFit()
    x, y = np.asarray(design, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    who = np.asarray(participant)
    rng = np.random.default_rng(chosen.seed)
    parts = deal(who, y, chosen.folds, rng) if part is None else np.asarray(part, dtype=np.int64)
    check_parts(parts, who)
    start = None if model is None else model.coefficients
    log_odds = np.empty(y.size)
    penalties = []
    for number in np.unique(parts):
        seen = parts != number
        found = fit_chosen(x[seen], y[seen], who[seen], chosen, rng, start=start)
        log_odds[~seen] = found.log_odds(x[~seen])
        penalties.append(found.penalty)
    return OutOfFold(_on_grid(log_odds), parts, tuple(penalties))


def fit_chosen(
    design: FloatArray,
    outcome: FloatArray,
    participant: npt.NDArray[np.generic],
    how: CrossFit,
    rng: np.random.Generator,
    start: FloatArray | None = None,
) -> Logistic:
    """The model of these people, its penalty chosen by log score over inner parts of them; `start` as in a fit."""
    penalty, nearby = choose_penalty(design, outcome, participant, how, rng)
    return fit_logistic(design, outcome, penalty=penalty, start=nearby if start is None else start)


def choose_penalty(
    design: FloatArray,
    outcome: FloatArray,
    participant: npt.NDArray[np.generic],
    how: CrossFit,
    rng: np.random.Generator,
) -> tuple[float, FloatArray | None]:
    """The penalty with the best log score over the inner parts of these people, of equals the largest; and its fit.

    Every penalty is fitted to all, from the one before, and from there without every part, the largest first, until
    two in a row have each been worse than the one before. Of more than 3,000 knees those of some people, chosen at
    random, tell as much: a penalty says how large coefficients are, whatever the number of knees. The fit is that to
    those, (k + 1,), None where all were asked: begun where it ends, a fit finds no step.
    """
    tried = np.array(sorted(how.penalties, reverse=True))
    if tried.size == 1:
        return float(tried[0]), None
    is_part = outcome.size > _ENOUGH
    if is_part:
        people, who = np.unique(participant, return_inverse=True)
        taken = (rng.random(people.size) < _ENOUGH / outcome.size)[who]
        design, outcome, participant = design[taken], outcome[taken], participant[taken]
    seen = deal(participant, outcome, how.inner_folds, rng) != np.arange(how.inner_folds)[:, None]
    known = np.column_stack([np.ones(outcome.size), design])
    losses, fits = [], [np.zeros(known.shape[1])]
    for penalty in tried:
        whole, without = fit_without(known, outcome, seen, penalty=penalty, start=fits[-1])
        fits.append(whole)
        losses.append(round(float((log_loss(without @ known.T, outcome) * ~seen).sum()), 9))
        if len(losses) > _WORSE and (np.diff(losses[-_WORSE - 1 :]) > 0).all():
            break
    best = int(np.argmin(losses))
    return float(tried[best]), fits[best + 1] if is_part else None


def _on_grid(log_odds: FloatArray) -> FloatArray:
    """Log-odds in steps of GRID: few distinct forecasts, as a person would state them, and stable last digits."""
    return np.asarray(np.clip(np.round(log_odds / GRID), -_MOST / GRID, _MOST / GRID) * GRID)
