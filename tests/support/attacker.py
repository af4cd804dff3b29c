"""An outsider with every file that went out, the catalogue and a pencil; shares no code with what chooses or checks.

From the printed counts follow the counts of everybody in no group shown, of two groups crossed, of two conditions
crossed, and what lies between two tables of the same test; from the printed differences, pairs. Each finding holds what
the outsider says of a count (`low` to `high`), to be held against the truth by who knows it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from pathlib import Path

import numpy as np
import polars as pl
from scipy.optimize import linprog

CELLS = ("tp", "fp", "fn", "tn")
COMPOSITE = {"meniscal_tear": {"medial_meniscus_tear", "lateral_meniscus_tear"}}
Knees = tuple[int, int, int, int]
Key = tuple[str, str, str, str]


@dataclass(frozen=True)
class Finding:
    """What is said of one count: by which way, of what, and between which two numbers."""

    way: str
    of: tuple[object, ...]
    low: int
    high: int

    @property
    def tells(self) -> bool:
        """Fewer than five values, and few people among them."""
        return self.high - self.low < 4 and self.low <= 10


@dataclass(frozen=True)
class Published:
    """The files of one release or bundle: tables by condition, test, grouping and group; differences; of which time."""

    tables: Mapping[Key, Knees]
    differences: pl.DataFrame
    time: int
    population: str
    tests: Mapping[str, str]

    def maneuver(self, key: Key) -> str:
        """The maneuver behind a test, which the protocol in a bundle names."""
        return self.tests.get(key[1], key[1])


def read(
    folder: Path, time: int = 0, population: str = "everybody", tests: Mapping[str, str] | None = None
) -> Published:
    """Read the CSV files of a folder."""
    lines = (folder / "counts.csv").read_text(encoding="utf-8").splitlines()
    names = lines[0].split(",")
    tables = {}
    for line in lines[1:]:
        row = dict(zip(names, line.split(","), strict=True))
        key = (row["condition"], row["maneuver"], row["group_by"], row["group"])
        tables[key] = tuple(int(row[cell]) for cell in CELLS)
    differences = folder / "comparisons.csv"
    frame = pl.read_csv(differences) if differences.exists() else pl.DataFrame()
    return Published(tables, frame, time, population, tests or {})  # type: ignore[arg-type]


def attack(published: Sequence[Published]) -> list[Finding]:
    """Everything that can be said of a count that is not printed, and every printed count that says too much."""
    found = [one for each in published for one in (*_printed(each), *_groups(each), *_pairs(each))]
    for one, other in combinations(published, 2):
        found += [*_between(one, other), *_conditions(one, other)]
    return found + [finding for each in published for finding in _conditions(each, each)]


def _printed(each: Published) -> Iterator[Finding]:
    for key, knees in {**each.tables, **dict(_others(each))}.items():
        if any(knees):
            for cell, count in zip(CELLS, knees, strict=True):
                yield Finding("printed or by subtraction", (each.time, each.population, *key, cell), count, count)


def _others(each: Published) -> Iterator[tuple[Key, Knees]]:
    """The people in no group shown, by grouping."""
    for condition, test, group_by in {key[:3] for key in each.tables if key[2] != "overall"}:
        whole = each.tables.get((condition, test, "overall", "all"))
        shown = [knees for key, knees in each.tables.items() if key[:3] == (condition, test, group_by)]
        if whole is not None:
            rest = tuple(int(n) for n in np.subtract(whole, np.sum(shown, axis=0)))
            yield (condition, test, group_by, "others"), rest  # type: ignore[misc]


def _groups(each: Published) -> Iterator[Finding]:
    """Two groups crossed: at least what both have more than everybody, at most the smaller."""
    tables = {**each.tables, **{key: rest for key, rest in _others(each) if any(rest)}}
    by_whole: dict[tuple[str, str], list[Key]] = {}
    for key in tables:
        if key[2] != "overall":
            by_whole.setdefault(key[:2], []).append(key)
    for (condition, test), keys in by_whole.items():
        whole = tables[condition, test, "overall", "all"]
        for one, other in combinations(keys, 2):
            if one[2] != other[2]:
                for place, cell in enumerate(CELLS):
                    a, b = tables[one][place], tables[other][place]
                    yield Finding("two groups crossed", (one, other, cell), max(0, a + b - whole[place]), min(a, b))


def _between(one: Published, other: Published) -> Iterator[Finding]:
    """What lies between two tables of one maneuver, condition and group: at two times or in two populations."""
    tables = [{**each.tables, **dict(_others(each))} for each in (one, other)]
    for key, twin in product(tables[0], tables[1]):
        alike = (key[0], key[2], key[3]) == (twin[0], twin[2], twin[3])
        if not alike or one.maneuver(key) != other.maneuver(twin):
            continue
        change = np.subtract(tables[1][twin], tables[0][key])
        is_somebody = any(tables[0][key]) or any(tables[1][twin])
        if any(change) or (is_somebody and one.time != other.time):
            for cell, count in zip(CELLS, np.abs(change), strict=True):
                yield Finding("between two tables", (one.time, other.time, key, twin, cell), int(count), int(count))


def _conditions(one: Published, other: Published) -> Iterator[Finding]:
    """Two conditions of one maneuver crossed, by whole numbers that fit both tables."""
    for key, twin in product(one.tables, other.tables):
        is_same = one.maneuver(key) == other.maneuver(twin) and key[2:] == twin[2:] and one.time == other.time
        if key[0] == twin[0] or not is_same or (one is other and key > twin):
            continue
        for finding, places in (("positive", (0, 1)), ("negative", (2, 3))):
            sides = [[each.tables[name][place] for place in places] for each, name in ((one, key), (other, twin))]
            if one.population != other.population and sum(sides[0]) != sum(sides[1]):
                continue
            yield from _crossed(key, twin, finding, sides)


def _crossed(key: Key, twin: Key, finding: str, sides: list[list[int]]) -> Iterator[Finding]:
    kinds = list(product(("present", "absent", "unknown"), repeat=2))
    rows, sums = [], []
    for side, place in product((0, 1), (0, 1)):
        status = ("present", "absent")[place]
        rows.append([float(kind[side] == status) for kind in kinds])
        sums.append(float(sides[side][place]))
    never = {("unknown", "unknown")}
    if key[0] in COMPOSITE.get(twin[0], ()):
        never |= {kind for kind in kinds if kind[0] == "present" != kind[1]} | {("unknown", "absent")}
    if twin[0] in COMPOSITE.get(key[0], ()):
        never |= {kind for kind in kinds if kind[1] == "present" != kind[0]} | {("absent", "unknown")}
    if sum(sides[0]) == sum(sides[1]):
        never |= {kind for kind in kinds if "unknown" in kind}
    else:
        surplus = abs(sum(sides[0]) - sum(sides[1]))
        yield Finding("answers to one condition more", (key, twin, finding), surplus, surplus)
    limits = [(0, 0) if kind in never else (0, None) for kind in kinds]
    for place, kind in enumerate(kinds):
        if kind in never or "unknown" in kind:
            continue
        goal = [float(at == place) for at in range(len(kinds))]
        ends = []
        for sign in (1, -1):
            made = linprog([sign * one for one in goal], A_eq=rows, b_eq=sums, bounds=limits, integrality=1)
            ends.append(sign * made.fun if made.status == 0 else (0 if sign == 1 else 10**6))
        yield Finding("two conditions crossed", (key, twin, finding, kind), round(ends[0]), round(ends[1]))


def _pairs(each: Published) -> Iterator[Finding]:
    """Knees right by one of two maneuvers alone, from the printed difference and its limits."""
    for line in each.differences.iter_rows(named=True):
        tables = [each.tables[line["condition"], line[name], "overall", "all"] for name in ("maneuver_a", "maneuver_b")]
        hit, miss = {"sensitivity": (0, 2), "specificity": (3, 1)}[line["measure"]]
        most = min(knees[hit] + knees[miss] for knees in tables)
        ways = [_ways(n, line, [knees[hit] for knees in tables], [knees[miss] for knees in tables])
                for n in range(1, most + 1)]  # fmt: skip
        for name, values in zip(("first", "second"), map(np.concatenate, zip(*ways, strict=True)), strict=True):
            if values.size:
                yield Finding("pairs", (line["measure"], name), int(values.min()), int(values.max()))


def _ways(n: int, line: Mapping[str, float], hits: list[int], misses: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Knees right by the first alone, and by the second alone, that fit what is printed if `n` knees had both."""
    span = n // 100 + 1
    only_b, gain = np.meshgrid(np.arange(0, n + 1), np.arange(-span, span + 1))
    only_a = only_b + round(line["difference"] * n) + gain
    possible = (only_a >= 0) & (only_a + only_b <= n) & (only_a <= min(hits[0], misses[1]))
    possible &= only_b <= min(hits[1], misses[0])
    only_a, only_b = only_a[possible], only_b[possible]
    d = (only_a - only_b) / n
    half = 1.96 * np.sqrt(only_a + only_b - n * d * d) / n
    limits = ((d, "difference"), (d - half, "ci_low"), (d + half, "ci_high"))
    fits = np.all([np.abs(value - line[name]) <= 0.005 + 1e-9 for value, name in limits], axis=0)
    return only_a[fits], only_b[fits]


def meant(cases: Sequence[object], looks: Mapping[str, pl.DataFrame]) -> list[object]:
    """Cases of a teaching set that could be fewer than 11 people, or whose look tells the answer of all who have it.

    The outsider is given more than one could have: how everybody in the registry looks and who is confirmed.
    """
    found = []
    for case in cases:
        alike = looks[case.condition]  # type: ignore[attr-defined]
        for name, value in case.context:  # type: ignore[attr-defined]
            alike = alike.filter(pl.col(name).cast(pl.String) == value)
        for maneuver, result in case.findings:  # type: ignore[attr-defined]
            alike = alike.filter(pl.col(f"result_{maneuver}").cast(pl.String) == result)
        if alike["participant"].n_unique() <= 10 or alike["confirmed"].drop_nulls().n_unique() < 2:
            found.append(case)
    return found
