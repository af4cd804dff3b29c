"""The knees of one condition: what was found, what the reference said, and the models that both feed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from examtally.analytics.intervals import BoolArray
from examtally.analytics.verification_bias.models import VerificationModels, fit_models
from examtally.analytics.verification_bias.terms import (
    Design,
    Variable,
    choose,
    clear_findings,
    levels,
    most_terms,
    probability,
)
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

ALL = "all"
_BEFORE_CORE = ("acuity", "setting", "role")


@dataclass(frozen=True)
class Fitted:
    """Both models with the design they were fitted on; `maneuver` is ALL for those its maneuvers share."""

    maneuver: str
    design: Design
    models: VerificationModels


class ConditionKnees:
    """Mature index exams for one condition: (n,) `verified`, `present`; models are fitted when first asked for."""

    def __init__(self, frame: pl.DataFrame, condition: str, contract: Contract, protocol: Protocol) -> None:
        """`frame` is that of all exams (see the cohort's verification frame)."""
        status = f"status_{condition}"
        self.condition = condition
        self.frame = frame.filter(pl.col(f"index_{condition}") & pl.col(status).is_not_null())
        self.present: BoolArray = (self.frame[status] == "present").to_numpy()
        self.verified: BoolArray = self.frame[status].is_in(["present", "absent"]).to_numpy()
        self.maneuvers = tuple(m for code, m in contract.catalogue.pairs if code == condition)
        own, stated_in = contract.catalogue.groupings, contract.catalogue.conditions[condition].stated_in
        self._own_codes = [name for name in contract.catalogue.coded if own[name].column not in stated_in]
        self.case_mix = contract.catalogue.case_mix
        self._core, self._added = protocol.core, protocol.verification.add_terms
        self._own: dict[str, Fitted] = {}

    def fitted(self, maneuver: str) -> Fitted:
        """The shared models where they hold the maneuver, else those of its own, in which it comes first."""
        if maneuver in self.shared.design.variables:
            return self.shared
        if maneuver not in self._own:
            self._own[maneuver] = self._fit(maneuver, maneuver)
        return self._own[maneuver]

    @cached_property
    def shared(self) -> Fitted:
        """The models shared by all maneuvers of the condition."""
        return self._fit(ALL, None)

    @property
    def every_fitted(self) -> list[Fitted]:
        """Every pair of models that was fitted, the shared ones first."""
        shared = [self.__dict__["shared"]] if "shared" in self.__dict__ else []
        return [*shared, *(self._own[maneuver] for maneuver in self.maneuvers if maneuver in self._own)]

    def _fit(self, name: str, first: str | None) -> Fitted:
        design = choose(self.variables(first), most_terms(self.present, self.verified))
        is_saturated = len(design.variables) == 1 and design.variables[0] in self.maneuvers
        columns = design.columns if design.terms else np.zeros((self.verified.size, 0))
        return Fitted(name, design, fit_models(columns, self.verified, self.present, is_saturated=is_saturated))

    def variables(self, first: str | None = None) -> Iterator[Variable]:
        """What may enter the models, in its order, `first` before all; own maneuvers by their clear results."""
        clear = {m: clear_findings(self.frame[f"result_{m}"])[0].sum() for m in self.maneuvers}
        for maneuver in sorted(self.maneuvers, key=lambda m: (m != first, -clear[m])):
            yield self._finding(maneuver)
        yield from (self._group(name) for name in self._own_codes)
        yield probability("impression", self.frame[f"impression_{self.condition}"])
        yield from (self._group(name) for name in _BEFORE_CORE)
        yield from (self._finding(maneuver) for maneuver in self._core if maneuver not in self.maneuvers)
        yield from (self._group(name) for name in self._added)

    def _finding(self, maneuver: str) -> Variable:
        return levels(maneuver, self.frame[f"result_{maneuver}"], "negative", kept=("positive",))

    def _group(self, name: str) -> Variable:
        return levels(name, self.frame[name])


def every_condition(frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> dict[str, ConditionKnees]:
    """The knees of every condition that something settles, each row with its `place` in the verification frame."""
    placed = frame.with_row_index("place")
    return {
        code: ConditionKnees(placed, code, contract, protocol)
        for code in contract.catalogue.conditions
        if code in protocol.reference.accepted
    }
