"""2x2 tables of many rules over the same knees, in the form the measures of accuracy are estimated from."""

from __future__ import annotations

from collections.abc import Iterable
from types import MappingProxyType

import numpy as np

from examtally.analytics.clustering import CELLS, margin
from examtally.analytics.fourfold import DENOMINATORS, Clusters, Fourfold
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification.grouped import Grouped

_SETS = np.arange(2 ** len(CELLS))


def fourfolds(
    grouped: Grouped, present: BoolArray, rules: Iterable[BoolArray], within: Iterable[BoolArray] | None = None
) -> Fourfold:
    """The table of each rule: (n,) whether a knee counts as positive, over the knees of `grouped`.

    `within` names for each rule the knees, (n,), it is judged on; all of them where it is not given.
    """
    cells, products, held = [], [], []
    for rule, kept in zip(rules, within or _always(present), strict=False):
        part = grouped if kept.all() else Grouped.of(grouped.cluster[kept])
        kind = np.where(rule[kept], np.where(present[kept], 0, 1), np.where(present[kept], 2, 3)).astype(np.int64)
        cells.append(part.counts(kind, len(CELLS))[0])
        products.append(part.count_products(kind, len(CELLS))[0])
        held.append(part.held(kind, len(CELLS))[0])
    people = np.array(held).reshape(-1, _SETS.size)
    table = np.array(cells).reshape(-1, len(CELLS))
    unknown = np.full(table.shape[0], np.nan)
    nothing = np.zeros((table.shape[0], len(CELLS), len(CELLS)))
    return Fourfold(
        cells=table,
        participant=Clusters(
            np.array(products).reshape(nothing.shape),
            MappingProxyType({name: _participants(people, name) for name in DENOMINATORS}),
        ),
        examiner=Clusters(nothing, MappingProxyType(dict.fromkeys(DENOMINATORS, unknown))),
        both=nothing,
    )


def _participants(people: FloatArray, denominator: str) -> FloatArray:
    """Participants with a knee in a denominator, from those by the set of cells they have knees in."""
    wanted = int((1 << np.flatnonzero(margin(DENOMINATORS[denominator]))).sum())
    return np.asarray(people @ ((_SETS & wanted) > 0).astype(np.float64))


def _always(present: BoolArray) -> Iterable[BoolArray]:
    everybody = np.ones(present.size, dtype=bool)
    while True:
        yield everybody
