"""Parts of the people: every knee of one person stands in one part, and no part is forecast by what saw it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from examtally.analytics.together.joint import IntArray


def deal(participant: npt.ArrayLike, outcome: npt.ArrayLike, parts: int, rng: np.random.Generator) -> IntArray:
    """Deal people into `parts`, those with an event first, so that every part has its share: the part of each row.

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
    order = rng.permutation(people)
    order = order[np.argsort(~has_event[order], kind="stable")]
    part = np.empty(people, dtype=np.int64)
    part[order] = np.arange(people) % parts
    return part[who]


def check_parts(part: npt.ArrayLike, participant: npt.ArrayLike) -> None:
    """Raise ValueError where the knees of one person stand in two parts.

    >>> check_parts([0, 0, 1], [5, 5, 6])
    """
    pairs = np.unique(np.column_stack([np.asarray(participant), np.asarray(part)]), axis=0)
    if np.unique(pairs[:, 0]).size != len(pairs):
        raise ValueError("the knees of one person stand in two parts: deal people, not knees")
