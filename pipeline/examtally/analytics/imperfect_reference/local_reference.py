"""How accurate the erring modality is here, from knees that also had what is taken as true."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from examtally.analytics.imperfect_reference.pairs import erring_modality
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.aipw import Figure, VerificationEstimate, aipw
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.analytics.verification_bias.pair import VERIFIED_NEGATIVE, WITH, WITHOUT
from examtally.analytics.verification_bias.terms import Variable, choose, most_terms
from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

_BASIS = "these_knees"


@dataclass(frozen=True)
class LocalReference:
    """The modality against what is taken as true, for one condition.

    `knees` had the modality, the counts are of those with both: both present, the modality only, the truth only,
    neither. `estimate` is None, and `reason` says why, where too few had both or it tells no more than chance.
    """

    condition: Condition
    modality: str
    knees: int
    both: tuple[int, int, int, int]
    estimate: VerificationEstimate | None
    reason: str

    @property
    def figures(self) -> tuple[Figure, Figure] | None:
        """Sensitivity and specificity of the modality, None where there is no estimate."""
        if self.estimate is None or self.estimate.sensitivity is None or self.estimate.specificity is None:
            return None
        return self.estimate.sensitivity, self.estimate.specificity

    @property
    def covariance_of_logits(self) -> FloatArray:
        """Covariance of the logits of both figures, (2, 2)."""
        if self.estimate is None or self.figures is None:
            raise ValueError("no estimate of the modality")
        first, second = (each.se / (each.estimate * (1 - each.estimate)) for each in self.figures)
        between = self.estimate.covariance or 0.0
        return np.array([[first**2, between], [between, second**2]])

    @property
    def source(self) -> str:
        """What the figures come from, in words."""
        return (
            f"These «nouns»: {sum(self.both)} of {self.knees} also had what is taken as true, corrected for who had it"
        )


def local_references(
    frame: pl.DataFrame, truth: pl.DataFrame, contract: Contract, protocol: Protocol
) -> list[LocalReference]:
    """Estimate the erring modality of each condition from the knees that also had what is taken as true.

    `frame` and `truth` are the verification frames, row by row the same exams, of cohorts in which only the erring
    modality, or only what is taken as true, settles each such condition. Who went on to surgery is modelled from what
    the modality said and the findings (see `aipw`); a truth may depend on those, and on nothing else that is unknown.
    """
    if not frame.select("participant", "examiner").equals(truth.select("participant", "examiner")):
        raise ValueError("frame and truth: the same exams in the same order")
    found = []
    for code, condition in contract.catalogue.conditions.items():
        modality = erring_modality(condition, protocol)
        if modality is None:
            continue
        status = f"status_{code}"
        joined = frame.with_columns(truth[status].alias("truth"), truth[f"index_{code}"].alias(f"index_{code}"))
        known = joined.filter(pl.col(status).is_in(["present", "absent"]))
        positive = known.filter(f"index_{code}")[status] == "present"
        knees = ConditionKnees(known.with_columns(pl.col("truth").alias(status)), code, contract, protocol)
        found.append(_estimated(condition, modality, positive.to_numpy(), knees, protocol.intervals.level))
    return found


def reference_accuracy_table(found: list[LocalReference]) -> pl.DataFrame:
    """Return the table `reference_accuracy`: what is published of each erring modality, and what these knees say.

    Knees say nothing of it where nothing is taken as true of the condition: it then has no rows from these knees.
    """
    rows = [row for each in found for row in (*_published(each), *_local(each))]
    return table_of("reference_accuracy", rows)


def _estimated(
    condition: Condition, modality: str, positive: np.ndarray, knees: ConditionKnees, level: float
) -> LocalReference:
    present, known = knees.present, knees.verified
    cells = [int((known & (positive == a) & (present == b)).sum()) for a in (True, False) for b in (True, False)]
    tp, fp, fn, tn = cells
    both, size = (tp, fp, fn, tn), int(positive.size)
    reason = _shortage(tp + fn, fp + tn, fn + tn)
    if reason:
        return LocalReference(condition, modality, size, both, None, reason)
    own = Variable(modality, (modality,), positive.astype(np.float64)[:, None])
    design = choose([own, *knees.variables()], max(most_terms(present, known), 1))
    found = aipw(positive, present, known, design.columns[:, 1:], knees.frame["participant"].to_numpy(), level=level)
    if found.sensitivity is None or found.specificity is None:
        return LocalReference(condition, modality, size, both, None, found.note)
    if found.sensitivity.estimate + found.specificity.estimate <= 1:
        said = "In these «nouns» the modality tells no more than chance."
        return LocalReference(condition, modality, size, both, None, said)
    return LocalReference(condition, modality, size, both, found, "")


def _shortage(present: int, absent: int, negative: int) -> str:
    asked = (
        (present, WITH, "with the condition"),
        (absent, WITHOUT, "without it"),
        (negative, VERIFIED_NEGATIVE, "called absent by the modality"),
    )
    few = [f"{n} {words} (at least {least} required)" for n, least, words in asked if n < least]
    return f"Too few «nouns» had both: {', '.join(few)}." if few else ""


def _published(found: LocalReference) -> Iterator[dict[str, object]]:
    for row in found.condition.reference_accuracy:
        if row.modality == found.modality:
            for measure in ("sensitivity", "specificity"):
                values = (getattr(row, name) for name in (measure, f"{measure}_low", f"{measure}_high"))
                yield _row(found, measure, "published", row.source) | dict(
                    zip(("estimate", "ci_low", "ci_high"), values, strict=True)
                )


def _local(found: LocalReference) -> Iterator[dict[str, object]]:
    if not found.condition.taken_as_true:
        return
    tp, fp, fn, tn = found.both
    counts = {"sensitivity": (tp, tp + fn), "specificity": (tn, fp + tn)}
    for place, (measure, (events, n)) in enumerate(counts.items()):
        figure = found.figures[place] if found.figures else None
        yield _row(found, measure, _BASIS, found.source) | {
            "estimate": figure.estimate if figure else None,
            "ci_low": figure.ci_low if figure else None,
            "ci_high": figure.ci_high if figure else None,
            "events": events,
            "n": n,
            "knees": found.knees,
            "flag": None if figure else "not_estimable",
            "note": found.reason or None,
        }


def _row(found: LocalReference, measure: str, basis: str, source: str) -> dict[str, object]:
    key = {"condition": found.condition.code, "modality": found.modality, "measure": measure, "basis": basis}
    blank = dict.fromkeys(("estimate", "ci_low", "ci_high", "events", "n", "knees", "flag", "note"))
    return {**key, "source": source, **blank}
