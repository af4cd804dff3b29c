"""An outsider with every file that went out, the catalogue and a pencil; shares no code with what chooses or checks.

From the printed counts follow the counts of everybody in no group shown, of two groups crossed, of two conditions
crossed, and what lies between two tables of the same test; from the printed differences, pairs; from figures corrected
for verification, and their limits or variances, the knees of either finding without an answer. Each finding holds what
the outsider says of a count (`low` to `high`), to be held against the truth by who knows it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import combinations, product
from math import exp, inf, log
from pathlib import Path

import numpy as np
import polars as pl
from scipy.optimize import linprog

CELLS = ("tp", "fp", "fn", "tn")
COMPOSITE = {"meniscal_tear": {"medial_meniscus_tear", "lateral_meniscus_tear"}}
Knees = tuple[int, int, int, int]
Key = tuple[str, str, str, str]
Span = tuple[float, float]
_SPREAD = ("var_sensitivity", "var_specificity", "covariance")


_WHATEVER = ("corrected figures",)
"""Ways to counts that are hidden however large they are."""


@dataclass(frozen=True)
class Finding:
    """What is said of one count: by which way, of what, and between which two numbers."""

    way: str
    of: tuple[object, ...]
    low: int
    high: int

    @property
    def tells(self) -> bool:
        """Fewer than five values, and few people among them, or a count that no file shows."""
        return self.high - self.low < 4 and (self.low <= 10 or self.way in _WHATEVER) and self.high >= 0


@dataclass(frozen=True)
class Published:
    """The files of one release or bundle: tables by condition, test, grouping and group; differences; of which time."""

    tables: Mapping[Key, Knees]
    differences: pl.DataFrame
    time: int
    population: str
    tests: Mapping[str, str]
    unanswered: Mapping[Key, tuple[Span, Span]] = field(default_factory=dict)
    """Knees found positive, and knees found negative, without an answer, as the corrected figures bound them."""

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
    differences, accuracy = (folder / f"{name}.csv" for name in ("comparisons", "accuracy"))
    frame = pl.read_csv(differences) if differences.exists() else pl.DataFrame()
    unanswered = _from_accuracy(tables, accuracy) if accuracy.exists() else {}  # type: ignore[arg-type]
    return Published(tables, frame, time, population, tests or {}, unanswered)  # type: ignore[arg-type]


def read_summary(path: Path, time: int, population: str) -> Published:
    """Read the file that a group gives for pooling.

    Logits are rounded as printed, standard errors to two digits, and their correlation to one.
    """
    tables, unanswered = {}, {}
    for row in json.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)["rows"]:
        key = (row["condition"], row["maneuver"], "overall", "all")
        tables[key] = tuple(row[cell] for cell in CELLS)
        figures = [_printed_span(row[f"logit_{name}"]) for name in ("sensitivity", "specificity")]
        own = [float(row[name] - row[f"shared_{name}"]) for name in _SPREAD]
        errors = [_rounded_to(value**0.5, f"{value**0.5:.1e}") for value in own[:2]]
        alike = own[2] / (own[0] * own[1]) ** 0.5
        ends = _rounded_to(alike, f"{alike:.1f}")
        both = [one * errors[0][place] * errors[1][place] for place in (0, 1) for one in ends]
        variances = [(low**2, high**2) for low, high in errors]
        unanswered[key] = _unanswered(tables[key], figures, variances, (min(both), max(both)))
    return Published(tables, pl.DataFrame(), time, population, {}, unanswered)


def _rounded_to(value: float, printed: str) -> Span:
    """What a number may have been, if it is the printed one; else it was not rounded so, and is what it is."""
    is_rounded = abs(value - float(printed)) < 1e-6 * max(1, abs(value))
    return _printed_span(Decimal(printed)) if is_rounded else (value, value)


def _printed_span(value: Decimal) -> Span:
    """What a printed number may have been before it was rounded."""
    half = Decimal(5).scaleb(int(value.as_tuple().exponent) - 1)
    return float(value - half), float(value + half)


def _from_accuracy(tables: Mapping[Key, Knees], accuracy: Path) -> dict[Key, tuple[Span, Span]]:
    """What the figures corrected for verification say, rounded to percentages, with limits on the logit scale."""
    rows = pl.read_csv(accuracy).filter(pl.col("adjustment") == "verification")
    found: dict[Key, dict[str, tuple[Span, Span]]] = {}
    for row in rows.iter_rows(named=True):
        low, middle, high = (
            tuple(_logit(row[name] + half) for half in (-0.005, 0.005)) for name in ("ci_low", "estimate", "ci_high")
        )
        spread = [max(0.0, inner) / (2 * 1.96) for inner in (high[0] - low[1], high[1] - low[0])]
        key = (row["condition"], row["maneuver"], row["group_by"], row["group"])
        found.setdefault(key, {})[row["measure"]] = (middle, (spread[0] ** 2, spread[1] ** 2))  # type: ignore[assignment]
    both = {key: [one[name] for name in ("sensitivity", "specificity")] for key, one in found.items() if len(one) == 2}
    return {key: _unanswered(tables[key], [a[0], b[0]], [a[1], b[1]]) for key, (a, b) in both.items()}


def _logit(share: float) -> float:
    return log(share / (1 - share)) if 0 < share < 1 else (-inf if share <= 0 else inf)


def _unanswered(
    knees: Knees, logits: Sequence[Span], variances: Sequence[Span], both: Span = (-inf, inf)
) -> tuple[Span, Span]:
    """Knees of either finding without an answer, from sensitivity and specificity corrected for them, and variances.

    The odds of either figure give the ratio of all knees found positive to all found negative, and their variances the
    sum of the inverses of the two (Zhou 1998), and so does the covariance of the two logits, by the delta method.
    """
    tp, fp, fn, tn = knees
    positive, negative = tp + fp, fn + tn
    if not min(tp, fp, fn, tn):
        return (0, inf), (0, inf)
    by_sensitivity = [exp(min(one, 700)) * (fn / negative) / (tp / positive) for one in logits[0]]
    by_specificity = [(tn / negative) / (fp / positive) * exp(min(-one, 700)) for one in reversed(logits[1])]
    ratio = max(by_sensitivity[0], by_specificity[0]), min(by_sensitivity[1], by_specificity[1])
    others = (fp / (tp * positive) + tn / (fn * negative), fn / (tn * negative) + tp / (fp * positive))
    alike = 1 / positive + 1 / negative
    low = max(1e-9, alike - both[1], *(span[0] - known for span, known in zip(variances, others, strict=True)))
    high = max(1e-9, min(alike - both[0], *(span[1] - known for span, known in zip(variances, others, strict=True))))
    all_negative = (1 + 1 / max(ratio[1], 1e-9)) / high, (1 + 1 / max(ratio[0], 1e-9)) / low
    all_positive = (1 + ratio[0]) / high, (1 + ratio[1]) / low
    return (
        (max(0.0, all_positive[0] - positive), all_positive[1] - positive),
        (max(0.0, all_negative[0] - negative), all_negative[1] - negative),
    )


def attack(published: Sequence[Published]) -> list[Finding]:
    """Everything that can be said of a count that is not printed, and every printed count that says too much."""
    published = _with_answers_joined(published)
    found = [
        one for each in published for one in (*_printed(each), *_groups(each), *_pairs(each), *_without_answer(each))
    ]
    for one, other in combinations(published, 2):
        found += [*_between(one, other), *_conditions(one, other), *_answers_between(one, other)]
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


def _with_answers_joined(published: Sequence[Published]) -> list[Published]:
    """Each with what all files of its time say of the knees without an answer in a table that stands in several."""
    known: dict[tuple[object, ...], list[tuple[Span, Span]]] = {}

    def which(each: Published, key: Key) -> tuple[object, ...]:
        return (each.time, key[0], each.maneuver(key), key[2:], each.tables[key])

    for each in published:
        for key, spans in each.unanswered.items():
            known.setdefault(which(each, key), []).append(spans)

    def joined(spans: list[tuple[Span, Span]]) -> tuple[Span, Span]:
        first, second = ((max(one[place][0] for one in spans), min(one[place][1] for one in spans)) for place in (0, 1))
        return first, second

    return [
        replace(each, unanswered={key: joined(known[which(each, key)]) for key in each.unanswered})
        for each in published
    ]


def _without_answer(each: Published) -> Iterator[Finding]:
    """Knees without an answer, and those of the people in no group of which a corrected figure is shown."""
    for key, spans in {**each.unanswered, **dict(_unanswered_others(each))}.items():
        for finding, (low, high) in zip(("positive", "negative"), spans, strict=True):
            yield _whole("corrected figures", (each.time, each.population, *key, finding), low, high)


def _unanswered_others(each: Published) -> Iterator[tuple[Key, list[Span]]]:
    for condition, test, group_by in {key[:3] for key in each.unanswered if key[2] != "overall"}:
        whole = each.unanswered.get((condition, test, "overall", "all"))
        shown = [spans for key, spans in each.unanswered.items() if key[:3] == (condition, test, group_by)]
        if whole is not None:
            yield (
                (condition, test, group_by, "others"),
                [_less(whole[place], *(spans[place] for spans in shown)) for place in (0, 1)],
            )


def _less(whole: Span, *parts: Span) -> Span:
    return whole[0] - sum(part[1] for part in parts), whole[1] - sum(part[0] for part in parts)


def _answers_between(one: Published, other: Published) -> Iterator[Finding]:
    """Knees without an answer that lie between two tables of one maneuver and group, of the same time.

    Between two times some were examined and others answered, so that what is left of both tells of neither.
    """
    spans = [{**each.unanswered, **dict(_unanswered_others(each))} for each in (one, other)]
    for key, twin in product(*spans):
        alike = (key[0], key[2], key[3]) == (twin[0], twin[2], twin[3])
        if one.time != other.time or not alike or one.maneuver(key) != other.maneuver(twin):
            continue
        if one.tables.get(key) == other.tables.get(twin) and key[3] != "others":
            continue  # the same people, as far as anybody sees
        for place, finding in enumerate(("positive", "negative")):
            low, high = _less(spans[0][key][place], spans[1][twin][place])
            low, high = (0.0, max(-low, high)) if low < 0 < high else sorted((abs(low), abs(high)))
            yield _whole("answers between two tables", (one.time, key, twin, finding), low, high)


def _whole(way: str, of: tuple[object, ...], low: float, high: float) -> Finding:
    """A finding about whole knees; nothing where the figures cannot have come from this formula."""
    most = 10**6
    least = -int(-max(-most, min(low, most)) // 1)
    return Finding(way, of, least, max(least, int(min(high, most) // 1)))


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
