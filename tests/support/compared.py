"""Little registries and simulated cohorts, compared: two maneuvers on the same knees, grades and measures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from clinic import Records, connect
from selective import Knees

from examtally.analytics.comparison.interactions import interactions_table
from examtally.analytics.comparison.tables import comparisons_table
from examtally.analytics.roc.tables import graded_tables
from examtally.analytics.verification_bias.knees import ConditionKnees, every_condition
from examtally.cohort.cohort import build_cohort
from examtally.cohort.diagnostic_frame import read_graded_frame
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol

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
    return every_condition(frame, contract, protocol)["acl_tear"]


PAIR = {"condition": "acl_tear", "maneuver_a": "lachman", "maneuver_b": "pivot_shift"}


@dataclass(frozen=True)
class Tables:
    """Every table of one little registry."""

    comparisons: pl.DataFrame
    interactions: pl.DataFrame
    roc: pl.DataFrame
    auc: pl.DataFrame
    level_ratios: pl.DataFrame

    def compared(self, measure: str, contrast: str = "difference", **key: str) -> dict[str, object]:
        """One row of comparisons."""
        wanted = {"group_by": "overall", "adjustment": "none", **PAIR, **key}
        return self.comparisons.filter(measure=measure, contrast=contrast, **wanted).row(0, named=True)


def analyzed(records: Records, contract: Contract, **protocol: object) -> Tables:
    """The tables of a registry under a protocol, of the conditions that it has readings of, or of all without any."""
    resolved = load_protocol(protocol, contract)
    records.exam("EX0", "PT0", period="2025-01")
    with build_cohort(connect(contract, records), contract, resolved) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, resolved)
        recorded = read_graded_frame(cohort.con, contract)
    knees = every_condition(frame, contract, resolved)
    read = {reading["condition"] for reading in records.rows("references")}
    knees = {code: of for code, of in knees.items() if not read or code in read}
    ordered = recorded.filter(pl.col("done_order").is_not_null())
    orders = {
        str(name): _placed(part, frame.height) for (name,), part in ordered.group_by("maneuver", maintain_order=True)
    }
    graded = graded_tables(knees, recorded, contract, resolved)
    comparisons = comparisons_table(knees, orders, resolved)
    return Tables(comparisons, interactions_table(knees, resolved), graded.roc, graded.auc, graded.level_ratios)


def _placed(part: pl.DataFrame, size: int) -> np.ndarray:
    order = np.full(size, np.nan)
    order[part["place"].to_numpy()] = part["done_order"].to_numpy()
    return order


def exam(records: Records, number: int, status: str | None, of: str = "acl_tear", **more: object) -> str:
    """Add one exam of one person, settled where a status is given; its code."""
    records.exam(f"EX{number}", f"PT{number}", **more)
    if status:
        records.reference(of, status, participant_id=f"PT{number}")
    return f"EX{number}"


def paired(cells: Mapping[str, tuple[int, int, int, int]], **orders: tuple[int, int]) -> Records:
    """Lachman and pivot shift in knees of each status: both positive, one alone, the other alone, neither."""
    records, number = Records(), 0
    for status, counts in cells.items():
        for (a, b), count in zip((("positive",) * 2, ("positive", "negative"), ("negative", "positive"),
                                  ("negative",) * 2), counts, strict=True):  # fmt: skip
            for _ in range(count):
                number += 1
                at = exam(records, number, status)
                first, second = orders.get(status, (None, None))
                records.finding(at, "lachman", a, done_order=first).finding(at, "pivot_shift", b, done_order=second)
    return records
