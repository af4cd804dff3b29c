"""What each pair is held against where the reference errs: one modality alone, corrected for who had it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias import figures
from examtally.analytics.verification_bias.corrected import CorrectedCells
from examtally.analytics.verification_bias.knees import ConditionKnees, Fitted
from examtally.analytics.verification_bias.pair import Counted, Pair
from examtally.contracts.catalogue.clinical import Condition, ReferenceAccuracy
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol


def erring_modality(condition: Condition, protocol: Protocol) -> str | None:
    """The modality of the condition that is accepted, not taken as true and of published accuracy; None for none."""
    accepted = protocol.reference.accepted.get(condition.code, ())
    named = [row.modality for row in condition.reference_accuracy]
    return next((name for name in named if name in accepted and name not in condition.taken_as_true), None)


def only_erring(contract: Contract, protocol: Protocol) -> Protocol:
    """The protocol with the erring modality as the only reference of every condition that has one."""
    return _only(
        {code: (name,) for code, each in _erring(contract, protocol) if (name := erring_modality(each, protocol))},
        protocol,
    )


def only_taken_as_true(contract: Contract, protocol: Protocol) -> Protocol:
    """The protocol with what it accepts and the catalogue takes as true alone, where the other reference errs."""
    accepted = protocol.reference.accepted
    return _only(
        {
            code: tuple(name for name in accepted[code] if name in each.taken_as_true)
            for code, each in _erring(contract, protocol)
        },
        protocol,
    )


def _erring(contract: Contract, protocol: Protocol) -> Iterator[tuple[str, Condition]]:
    for code, condition in contract.catalogue.conditions.items():
        if erring_modality(condition, protocol) is not None:
            yield code, condition


def _only(chosen: dict[str, tuple[str, ...]], protocol: Protocol) -> Protocol:
    accepted = dict(protocol.reference.accepted) | chosen
    return replace(protocol, reference=replace(protocol.reference, accepted=accepted))


@dataclass(frozen=True)
class ErringPair:
    """One maneuver for one condition against the one modality that errs.

    `frame` holds the knees of the condition; `table` is that of finding against modality, corrected for who had it,
    None where it cannot be and `reason` says why; `fitted` are the models behind it, None where it was corrected by the
    finding alone.
    """

    condition: Condition
    modality: str
    modality_name: str
    frame: pl.DataFrame
    pair: Pair
    counted: Counted
    fitted: Fitted | None
    table: CorrectedCells | None
    reason: str

    @property
    def key(self) -> dict[str, object]:
        """Condition and maneuver, as every result table names them."""
        return {"condition": self.condition.code, "maneuver": self.pair.maneuver}

    @property
    def published(self) -> list[ReferenceAccuracy]:
        """What the catalogue says of the modality's accuracy, the default first."""
        return [row for row in self.condition.reference_accuracy if row.modality == self.modality]

    @property
    def fallback(self) -> str:
        """What must be said where the finding alone corrected the table; empty otherwise."""
        return figures.alone(self.counted) if self.table is not None and self.fitted is None else ""


def erring_pairs(frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> list[ErringPair]:
    """Every pair whose reference errs, in catalogue order.

    `frame` is the verification frame of a cohort in which only the erring modality settles each such condition (see
    `only_erring`), `protocol` that of the analysis.
    """
    made = []
    for code, condition in _erring(contract, protocol):
        knees = ConditionKnees(frame, code, contract, protocol)
        modality = erring_modality(condition, protocol) or ""
        named = modality, contract.catalogue.modalities[modality].name
        made += [_made(condition, named, knees, maneuver) for maneuver in knees.maneuvers]
    return made


def covariance_of(table: CorrectedCells) -> FloatArray:
    """Covariance of the cells of corrected tables, (rows, 4, 4), with m/(m-1) where participants are clusters."""
    clusters = table.clusters[:, None, None]
    factor = np.where(np.isinf(clusters), 1.0, clusters / np.where(np.isinf(clusters), 2.0, clusters - 1))
    return np.asarray(table.products * factor)


def _made(condition: Condition, named: tuple[str, str], knees: ConditionKnees, maneuver: str) -> ErringPair:
    pair = Pair(knees.frame, maneuver, knees.verified, knees.present)
    counted, given = Counted.of(pair, pair.overall), (condition, *named, knees.frame, pair)
    reason = figures.obstacle(counted)
    if reason:
        return ErringPair(*given, counted, None, None, reason)
    fitted = knees.fitted(maneuver) if counted.is_enough[0] else None
    if fitted is None:
        table = pair.begg_greenes(pair.overall)
    else:
        rows = pair.doubly_robust(fitted)
        table = CorrectedCells(pair.overall.sums(rows), pair.overall.products(rows), pair.overall.clusters())
    if not (table.cells > 0).all():
        return ErringPair(*given, counted, None, None, "A cell of the corrected table is empty.")
    if table.clusters[0] <= 1:
        return ErringPair(*given, counted, None, None, "All these «nouns» are of one person.")
    return ErringPair(*given, counted, fitted, table, "")
