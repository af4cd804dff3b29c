"""A made-up diagnostic frame: findings and history of knees whose cruciate status is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol


def diagnostic_frame(n: int, contract: Contract, seed: int = 1, noise: bool = False, **columns: Any) -> pl.DataFrame:
    """`n` knees with a status of acl_tear alone, a tenth of the people with two; with `noise` nothing tells of it."""
    rng = np.random.default_rng(seed)
    accepted = Protocol.defaults(contract).reference.accepted
    present = rng.random(n) < 0.4
    tells = np.where(present & (not noise), 0.75, 0.2)
    catalogue = contract.catalogue
    own = [maneuver for condition, maneuver in catalogue.pairs if condition == "acl_tear"]
    data: dict[str, Any] = {
        "participant": np.sort(rng.integers(max(n * 9 // 10, 1), size=n)),
        "age_years": [None if rng.random() < 0.05 else int(rng.integers(14, 70)) for _ in range(n)],
        "days_since_onset": rng.integers(0, 400, size=n),
        "mechanism": rng.choice(list(catalogue.mechanisms), size=n),
        **{
            f"history_{item}": rng.choice(["yes", "no", "not_recorded"], size=n, p=[0.3, 0.6, 0.1])
            for item in catalogue.history
        },
        **{f"result_{maneuver}": ["not_recorded"] * n for maneuver in catalogue.maneuvers},
    }
    data["history_pop"] = np.where(rng.random(n) < tells * 0.8, "yes", "no")
    for maneuver in own:
        done = rng.random(n) < 0.9
        data[f"result_{maneuver}"] = np.where(done, np.where(rng.random(n) < tells, "positive", "negative"), "not_done")
    for condition in accepted:
        data |= {f"present_{condition}": [None] * n}
        data |= {f"after_{stage}_{condition}": [None] * n for stage in ("history", "exam")}
    data["present_acl_tear"] = present
    data["after_history_acl_tear"] = np.round(0.2 + 0.4 * (data["history_pop"] == "yes"), 2)
    positives = np.sum([data[f"result_{maneuver}"] == "positive" for maneuver in own], axis=0)
    data["after_exam_acl_tear"] = np.round(0.1 + 0.8 * positives / len(own), 2)
    types = {f"present_{condition}": pl.Boolean for condition in accepted}
    types |= {f"after_{stage}_{condition}": pl.Float64 for stage in ("history", "exam") for condition in accepted}
    frame = pl.DataFrame(data | columns, schema_overrides=types)
    answers, results = (
        ["yes", "no", "unknown", "not_recorded"],
        ["positive", "negative", "equivocal", "not_done", "not_recorded"],
    )
    return frame.with_columns(
        pl.col("mechanism").cast(pl.Enum(list(catalogue.mechanisms))),
        pl.col("^history_.*$").cast(pl.Enum(answers)),
        pl.col("^result_.*$").cast(pl.Enum(results)),
    )
