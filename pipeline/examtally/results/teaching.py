"""What a teaching set is drawn from: how every examined side looked, what is confirmed, and the group's ratios."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.protocol.teaching import Blueprint
from examtally.registry import Registry
from examtally.results.steps import accuracy, leading
from examtally.results.work import Progress, Work


@dataclass(frozen=True)
class TeachingSource:
    """`looks` by condition, a row an examined side; `maneuvers` of it, core first; overall rows of two tables."""

    looks: Mapping[str, pl.DataFrame]
    maneuvers: Mapping[str, tuple[str, ...]]
    leading: pl.DataFrame
    tallies: pl.DataFrame


def teaching_source(
    registry: Registry,
    protocol: Protocol,
    blueprint: Blueprint,
    contract: Contract,
    progress: Progress | None = None,
) -> TeachingSource:
    """Read what is known of every examined side; confirmed is what surgery showed, or what little doubt is left of."""
    catalogue = contract.catalogue
    asked = blueprint.conditions or tuple(code for code, one in catalogue.conditions.items() if one.core)
    work = Work(registry, contract, protocol, with_examiners=False, progress=progress)
    try:
        models = work.once(leading.models)
        looks: dict[str, pl.DataFrame] = {}
        maneuvers: dict[str, tuple[str, ...]] = {}
        for code in asked:
            if code not in models.fitted:
                continue
            own = [one for one in catalogue.in_exam_order if code in one.conditions]
            maneuvers[code] = tuple(one.code for one in sorted(own, key=lambda one: not one.core))
            model = models.fitted[code]
            chance, known = model.draws.chance, model.knees.truth
            settled = np.where(
                chance >= blueprint.confirmed, 1.0, np.where(chance <= 1 - blueprint.confirmed, 0.0, np.nan)
            )
            confirmed = np.where(np.isnan(known), np.where(model.knees.is_read, settled, np.nan), known)
            looks[code] = model.knees.frame.select(
                *("participant", "age_band", "acuity"), *(f"result_{maneuver}" for maneuver in maneuvers[code])
            ).with_columns(
                pl.Series("confirmed", [None if np.isnan(one) else bool(one) for one in confirmed], dtype=pl.Boolean),
                pl.Series("by_surgery", ~np.isnan(known)),
            )
        shown = work.once(leading.leading).filter(group_by="overall")
        return TeachingSource(looks, maneuvers, shown, work.once(accuracy.tallies).filter(group_by="overall"))
    finally:
        work.close()
