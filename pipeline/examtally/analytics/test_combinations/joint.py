"""The findings of several maneuvers on the same knees: the joint table that combinations are counted from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from examtally.analytics.diagnostic_accuracy.clustering import CELLS, PRODUCTS
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS
from examtally.analytics.intervals import BoolArray, FloatArray

IntArray = npt.NDArray[np.int64]
_FINDINGS = {"positive": 1.0, "negative": 0.0}


@dataclass(frozen=True)
class JointFindings:
    """Knees of known status: findings (n, k) as 1 positive, 0 negative, NaN neither; present (n,); participant (n,).

    Participants are numbered 0 … m − 1.
    """

    maneuvers: tuple[str, ...]
    findings: FloatArray
    present: BoolArray
    participant: IntArray

    @classmethod
    def of(
        cls,
        findings: npt.ArrayLike,
        present: npt.ArrayLike,
        participant: npt.ArrayLike | None = None,
        maneuvers: Sequence[str] | None = None,
    ) -> JointFindings:
        """Check plain arrays; each knee is a person of its own if `participant` is left out. ValueError otherwise."""
        found = np.asarray(findings, dtype=np.float64)
        status = np.asarray(present, dtype=np.float64)
        if found.ndim != 2 or status.shape != found.shape[:1]:
            raise ValueError("findings: one row a knee and one column a maneuver; present: one value a knee")
        if not (np.isin(found, (0.0, 1.0)) | np.isnan(found)).all() or not np.isin(status, (0.0, 1.0)).all():
            raise ValueError("findings are 1, 0 or NaN, present is 0 or 1")
        who = np.arange(status.size) if participant is None else np.asarray(participant)
        if who.shape != status.shape:
            raise ValueError("participant: one value a knee")
        names = tuple(maneuvers) if maneuvers is not None else tuple(f"m{i + 1}" for i in range(found.shape[1]))
        return cls(names, found, status > 0, np.unique(who, return_inverse=True)[1].astype(np.int64))

    @classmethod
    def read(cls, frame: pl.DataFrame, condition: str, maneuvers: Sequence[str]) -> JointFindings:
        """Take the knees of a diagnostic frame whose status of `condition` is known."""
        known = frame.filter(pl.col(f"present_{condition}").is_not_null())
        columns = [
            known[f"result_{m}"].cast(pl.String).replace_strict(_FINDINGS, default=None, return_dtype=pl.Float64)
            for m in maneuvers
        ]
        found = np.column_stack([c.to_numpy() for c in columns]) if columns else np.zeros((known.height, 0))
        return cls.of(found, known[f"present_{condition}"].cast(pl.Float64).to_numpy(), known["participant"], maneuvers)

    def among(self, maneuvers: Sequence[str]) -> JointFindings:
        """These maneuvers alone, on the knees where each of them gave a finding."""
        places = [self.maneuvers.index(name) for name in maneuvers]
        kept = ~np.isnan(self.findings[:, places]).any(axis=1)
        who = np.unique(self.participant[kept], return_inverse=True)[1].astype(np.int64)
        return JointFindings(tuple(maneuvers), self.findings[kept][:, places], self.present[kept], who)


def tally(positive: BoolArray, present: BoolArray, participant: IntArray) -> dict[str, int]:
    """Cells, sums of products over participants and participants behind each denominator of one 2x2 table.

    `participant` (n,) numbers from 0; `positive` and `present` are (n,). The names are those of the table `tallies`.

    >>> found = tally(np.array([True, True, False]), np.array([True, False, True]), np.array([0, 0, 1]))
    >>> [found[name] for name in ("tp", "fp", "fn", "tn", "tp_fp", "participants", "participants_present")]
    [1, 1, 1, 0, 1, 2, 2]
    """
    cell = np.where(positive, np.where(present, 0, 1), np.where(present, 2, 3))
    people = int(participant.max(initial=-1)) + 1
    sums = np.bincount(participant * len(CELLS) + cell, minlength=people * len(CELLS)).reshape(people, len(CELLS))
    products = sums.T @ sums
    pairs = np.triu_indices(len(CELLS))
    denominators = {
        name: int((sums[:, [CELLS.index(part) for part in parts]].sum(axis=1) > 0).sum())
        for name, parts in DENOMINATORS.items()
    }
    return {
        **{name: int(count) for name, count in zip(CELLS, sums.sum(axis=0), strict=True)},
        **{name: int(products[i, j]) for name, i, j in zip(PRODUCTS, *pairs, strict=True)},
        "participants": denominators.pop("all"),
        **{f"participants_{name}": count for name, count in denominators.items()},
    }
