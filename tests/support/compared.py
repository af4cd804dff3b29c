"""Simulated cohorts in the form that comparisons of maneuvers are made from."""

from __future__ import annotations

import numpy as np
import polars as pl
from selective import Knees

from examtally.analytics.comparing.knees import compared_knees
from examtally.analytics.verification.knees import ConditionKnees
from examtally.contracts.contract import Contract
from examtally.contracts.protocol import Protocol

NAMES = ("lachman", "anterior_drawer", "pivot_shift")
RESULTS = pl.Enum(["positive", "negative", "equivocal", "not_done", "not_recorded"])
STATUSES = pl.Enum(["present", "absent", "indeterminate", "unverified"])


def ligament_knees(knees: Knees, contract: Contract, protocol: Protocol) -> ConditionKnees:
    """The three maneuvers of a simulated cohort as three tests of one ligament."""
    n = knees.person.size
    found = {name: np.where(knees.findings[:, place], "positive", "negative") for place, name in enumerate(NAMES)}
    status = np.where(knees.verified, np.where(knees.present, "present", "absent"), "unverified")
    fixed = {"setting": "clinic", "role": "attending"}
    columns: dict[str, pl.Series] = {
        "participant": pl.Series(knees.person),
        "status_acl_tear": pl.Series(status, dtype=STATUSES),
        "index_acl_tear": pl.Series([True] * n),
        "impression_acl_tear": pl.Series([None] * n, dtype=pl.Float64),
        "effusion": pl.Series(np.where(knees.effusion, "small", "none"), dtype=pl.Enum(["none", "small"])),
        "acuity": pl.Series(np.where(knees.acute, "acute", "chronic"), dtype=pl.Enum(["acute", "chronic"])),
        **{name: pl.Series([value] * n, dtype=pl.Enum([value])) for name, value in fixed.items()},
        **{
            f"result_{code}": pl.Series(found.get(code, ["not_recorded"] * n), dtype=RESULTS)
            for code in contract.catalogue.maneuvers
        },
    }
    frame = pl.DataFrame(columns)
    others = [code for code in protocol.reference.accepted if code != "acl_tear"]
    frame = frame.with_columns(
        *(pl.lit(None, STATUSES).alias(f"status_{code}") for code in others),
        *(pl.lit(value=False).alias(f"index_{code}") for code in others),
    )
    return compared_knees(frame, contract, protocol)["acl_tear"]
