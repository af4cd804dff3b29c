"""Shared by all kinds of test: tallies counted knee by knee, in the plainest way, from hand-made knees."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import polars as pl
import pytest
from hypothesis import settings

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.protocol.protocol import Protocol

# A busy machine is no fault of the code: no example fails for its time.
settings.register_profile("no_deadline", deadline=None)
settings.load_profile("no_deadline")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let `--shuffle 7` run files, and the tests within each, in an order of its own: none may lean on another."""
    parser.addoption("--shuffle", type=int, metavar="SEED", help="run in the order that this number makes")


def pytest_report_header(config: pytest.Config) -> str | None:
    """Say the order, so that it can be had again."""
    seed = config.getoption("--shuffle")
    return None if seed is None else f"order of the tests: --shuffle {seed}"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Shuffle before pytest brings together what shares a fixture; alike in every process that has the seed."""
    seed = config.getoption("--shuffle")
    if seed is None:
        return
    order = random.Random(seed)
    files: dict[str, list[pytest.Item]] = {}
    for item in items:
        files.setdefault(str(item.path), []).append(item)
    chosen = list(files.values())
    order.shuffle(chosen)
    for tests in chosen:
        order.shuffle(tests)
    items[:] = [item for tests in chosen for item in tests]


CELLS = ("tp", "fp", "fn", "tn")
MARGINS = {
    "": CELLS,
    "_present": ("tp", "fn"),
    "_absent": ("fp", "tn"),
    "_positive": ("tp", "fp"),
    "_negative": ("fn", "tn"),
}
Tallies = Callable[..., pl.DataFrame]


@dataclass(frozen=True)
class Knee:
    """One knee-episode of a 2x2 table: who was examined, by whom, and the cell it falls in."""

    participant: object
    cell: str
    examiner: object = "E1"


def _sums(knees: Sequence[Knee], cluster: Callable[[Knee], object], prefix: str = "") -> dict[str, int]:
    """Sums over clusters of the products of their cell counts."""
    counts: dict[object, dict[str, int]] = defaultdict(lambda: dict.fromkeys(CELLS, 0))
    for knee in knees:
        counts[cluster(knee)][knee.cell] += 1
    return {
        f"{prefix}{a}_{b}": sum(count[a] * count[b] for count in counts.values())
        for a, b in combinations_with_replacement(CELLS, 2)
    }


def _behind(knees: Sequence[Knee], cluster: Callable[[Knee], object], name: str) -> dict[str, int]:
    """Clusters behind each margin of the table."""
    return {
        f"{name}{margin}": len({cluster(knee) for knee in knees if knee.cell in cells})
        for margin, cells in MARGINS.items()
    }


def tally_knees(
    knees: Iterable[Knee],
    *,
    condition: str = "acl_tear",
    maneuver: str = "lachman",
    group_by: str = "overall",
    group: str = "all",
) -> pl.DataFrame:
    """One row of tallies, as far as accuracy reads them."""
    knees = list(knees)
    row = {"condition": condition, "maneuver": maneuver, "group_by": group_by, "group": group}
    counts = {cell: sum(knee.cell == cell for knee in knees) for cell in CELLS}
    behind = _behind(knees, lambda knee: knee.participant, "participants")
    return pl.DataFrame([row | counts | behind | _sums(knees, lambda knee: knee.participant)])


def tally_examiners(
    knees: Iterable[Knee], *, condition: str = "acl_tear", maneuver: str = "lachman", group: str = "resident"
) -> pl.DataFrame:
    """The row of sums over examiners that goes with a tally by role."""
    knees = list(knees)
    row = {"condition": condition, "maneuver": maneuver, "group": group}
    return pl.DataFrame(
        [
            row
            | _behind(knees, lambda knee: knee.examiner, "examiners")
            | _sums(knees, lambda knee: knee.examiner, "ex_")
            | _sums(knees, lambda knee: (knee.participant, knee.examiner), "px_")
        ]
    )


@pytest.fixture(scope="session")
def knee() -> type[Knee]:
    """Make a knee: `knee(participant, cell, examiner)`."""
    return Knee


@pytest.fixture(scope="session")
def tally() -> Tallies:
    """Count knees into one row of tallies."""
    return tally_knees


@pytest.fixture(scope="session")
def tally_by_examiner() -> Tallies:
    """Count knees into the sums over examiners of one role."""
    return tally_examiners


@pytest.fixture(scope="session")
def contract() -> Contract:
    """The contract of the knee."""
    return load_contract("knee")


@pytest.fixture(scope="session")
def protocol(contract: Contract) -> Protocol:
    """The protocol that changes nothing."""
    return Protocol.defaults(contract)
