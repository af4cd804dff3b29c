"""Results made of given 2x2 tables, in which every knee is another person's unless said otherwise."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty
from examtally.disclosure.tables import CELLS
from examtally.results.results import Provenance, Results

ALL = ("overall", "all")
Knees = tuple[int, int, int, int]
Key = tuple[str, str, str, str]


def tallies_of(tables: Mapping[Key, Knees], unverified: int = 40, **changes: int) -> pl.DataFrame:
    """Tallies by (condition, maneuver, group_by, group): tp, fp, fn, tn; `changes` are put into every row."""
    names = [name for name, kind in empty("tallies").schema.items() if kind.is_integer()]
    lines = []
    for (condition, maneuver, group_by, group), knees in tables.items():
        cells = dict(zip(CELLS, knees, strict=True))
        tp, fp, fn, tn = knees
        lines.append(
            dict.fromkeys(names, 0)
            | {"condition": condition, "maneuver": maneuver, "group_by": group_by, "group": group}
            | cells
            | {f"{cell}_{cell}": count for cell, count in cells.items()}
            | {"verified": sum(knees), "participants": sum(knees), "knees": sum(knees)}
            | {"participants_present": tp + fn, "participants_absent": fp + tn}
            | {"participants_positive": tp + fp, "participants_negative": fn + tn}
            | {"unverified_positive": unverified, "unverified_negative": unverified}
            | changes
        )
    return conform("tallies", pl.DataFrame(lines, infer_schema_length=None))


def results_from(tallies: pl.DataFrame, registry: str = "a" * 64, **tables: pl.DataFrame) -> Results:
    """Results of these tallies with the accuracy that follows, and further tables as given."""
    contract = load_contract()
    protocol = Protocol.defaults(contract)
    made = {"tallies": tallies, "accuracy": accuracy_table(tallies, None, contract, protocol), **tables}
    return Results(made, Provenance(registry, protocol.to_dict(), protocol.hash, 1, {}))


def lachman(tables: Mapping[tuple[str, str], Knees]) -> dict[Key, Knees]:
    """Tables of the Lachman test for a tear of the anterior cruciate ligament, by grouping and group."""
    return {("acl_tear", "lachman", *key): knees for key, knees in tables.items()}
