"""Shared by all kinds of test: tallies counted knee by knee, in the plainest way, from hand-made knees."""

from __future__ import annotations

import gc
import random
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from pathlib import Path

import polars as pl
import pytest
from hypothesis import settings

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.ingestion import batch
from examtally.ingestion.checking.intake import examine

# A busy machine is no fault of the code: no example fails for its time. `make study` draws many examples.
settings.register_profile("study", deadline=None, max_examples=200)
settings.register_profile("quick", deadline=None, max_examples=12)
settings.load_profile("quick")
gc.set_threshold(50_000)  # modules and tests are many objects that all stay: to look through them again finds nothing


SHARED = {"demo": "end_to_end", "demo_pages": "end_to_end", "made": "unit/reporting"}  # one process makes it for all
LONG = re.compile(  # from some ten seconds on, so that what comes last is short
    r"end_to_end|faults|test_(types|browser|sheets|analysis|attacks|comparisons|draft|feeding|fhir|folder|"
    r"imperfect_reference|ingest_properties|plan|record|scoreboard|settling|site_summary|synthesize|"
    r"verification|workbook)\."
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--shuffle 7` runs files, and the tests within each, in an order of its own: none may lean on another."""
    parser.addoption("--shuffle", type=int, metavar="SEED", help="run in the order that this number makes")
    parser.addoption("--shipped-demo", action="store_true", help="read the pages of the whole demo, not of a third")


def pytest_report_header(config: pytest.Config) -> str | None:
    """Say the order, so that it can be had again."""
    seed = config.getoption("--shuffle")
    return None if seed is None else f"order of the tests: --shuffle {seed}"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Shuffle before pytest brings together what shares a fixture; alike in every process that has the seed.

    One file of each shared clinic begins, then the other long ones, so that no processor is left waiting for one of
    them at the end, nor at the beginning for a clinic that another one makes.
    """
    files: dict[str, list[pytest.Item]] = {}
    for item in items:
        files.setdefault(str(item.path), []).append(item)
    chosen = list(files.values())
    seed = config.getoption("--shuffle")
    if seed is not None:
        order = random.Random(seed)
        order.shuffle(chosen)
        for tests in chosen:
            order.shuffle(tests)
    makers = [
        max((tests for tests in chosen if f"tests/{folder}" in str(tests[0].path)), key=_count_shared, default=None)
        for folder in set(SHARED.values())
    ]
    chosen.sort(key=lambda tests: _turn(tests, makers))
    items[:] = [item for tests in chosen for item in tests]


def pytest_collection_finish() -> None:
    """Leave what has been collected out of every later search for garbage."""
    gc.freeze()


def _shared(tests: Sequence[pytest.Item]) -> set[str]:
    """Shared clinics that a file of tests needs."""
    named = {name for item in tests for name in getattr(item, "fixturenames", ())}
    return {name for name, folder in SHARED.items() if name in named and f"tests/{folder}" in str(tests[0].path)}


def _count_shared(tests: Sequence[pytest.Item]) -> int:
    """How many shared clinics a file of tests needs."""
    return len(_shared(tests))


def _turn(tests: list[pytest.Item], makers: Sequence[list[pytest.Item] | None]) -> int:
    """0 for a file that makes a shared clinic, 1 for other long ones, 2 for long ones that need it, 3 for the rest."""
    if any(tests is maker for maker in makers):
        return 0
    if not LONG.search(str(tests[0].path)):
        return 3
    return 2 if _shared(tests) else 1


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


@pytest.fixture(scope="session", autouse=True)
def _gate_alone() -> Iterator[None]:
    """Ingest without the second engine, which decides nothing and takes seconds to load."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(batch, "examine", lambda *_: ())
        yield


@pytest.fixture(scope="module")
def both_engines() -> Iterator[None]:
    """Bring the second engine back for a file of tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(batch, "examine", examine)
        yield


@pytest.fixture(scope="session")
def together(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """A folder that every process of this run of tests knows."""
    own = tmp_path_factory.getbasetemp()
    return own if worker_id == "master" else own.parent


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
