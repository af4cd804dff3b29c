"""Everything the models of one condition give, or the reason why there are none."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from examtally.analytics.diagnostic_models.models import DiagnosticModel, diagnostic_models
from examtally.analytics.diagnostic_models.predictors import Predictors, knees_of, predictors, refusal
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

UNWEIGHTED = "On verified «nouns» as they are, not weighted for who was verified."
NOT_DONE = "A maneuver not done or not recorded counts as a finding of its own."


@dataclass(frozen=True)
class ConditionModels:
    """The models of one condition on n verified knees; none where `why` says so."""

    condition: str
    n: int
    events: int
    participants: int
    why: str
    knees: Predictors | None
    models: tuple[DiagnosticModel, ...]

    @property
    def flag(self) -> str | None:
        """The flag of a row without a figure."""
        return "too_few_to_model" if self.why else None

    def note(self, *more: str) -> str:
        """What every row must say, after what this one has to say of itself."""
        said = [self.why, *more] if self.why else [*more, UNWEIGHTED]
        return " ".join(part for part in said if part)


def condition_models(frame: pl.DataFrame, condition: str, contract: Contract, protocol: Protocol) -> ConditionModels:
    """Fit the models of one condition on the rows of a diagnostic frame whose status is known."""
    known = knees_of(frame, condition)
    present, who = known[f"present_{condition}"].cast(pl.Boolean).to_numpy(), known["participant"].to_numpy()
    counts = (known.height, int(present.sum()), known["participant"].n_unique())
    why = refusal(present, who, protocol)
    if why:
        return ConditionModels(condition, *counts, why, None, ())
    knees = predictors(known, condition, contract, protocol)
    models = diagnostic_models(knees, protocol.modelling, condition, protocol.intervals.level)
    return ConditionModels(condition, *counts, "", knees, models)
