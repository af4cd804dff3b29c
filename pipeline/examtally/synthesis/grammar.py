"""Reading the three forms of chance from a scenario file, and joining a scenario to the one it is based on."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType

from examtally.contracts.yamlfile import Node
from examtally.synthesis.chance import Level, Rate, Weight, Weights

_SMALLEST_FACTOR = 1e-6


def rate(node: Node, names: Collection[str]) -> Rate:
    """`0.2`, or `{base: 0.2, odds: {feature: odds ratio}}`; only features in `names` are known at this point."""
    if not isinstance(node.content, dict):
        return Rate(node.number(0, 1), MappingProxyType({}))
    entries = node.record(required=("base",), optional=("odds",))
    return Rate(entries["base"].number(0, 1), factors(entries.get("odds"), names))


def weights(node: Node, codes: Collection[str] | None, names: Collection[str]) -> Weights:
    """`{code: 2}`, or `{code: {base: 2, times: {feature: factor}}}`; `codes` is the legal set, None where open."""
    entries = node.table("a code", ".+") if codes is None else node.record(optional=codes)
    read = {code: _weight(entry, names) for code, entry in entries.items()}
    if not any(weight.base for weight in read.values()):
        raise node.fail("no code has a weight above 0", "give one at least a positive weight")
    return Weights(MappingProxyType(read))


def level(node: Node, names: Collection[str]) -> Level:
    """`{mean: 25, sd: 4, add: {feature: amount}}`, with `least` or `most` where it ends; both at once are refused."""
    entries = node.record(required=("mean", "sd"), optional=("add", "least", "most"))
    if "least" in entries and "most" in entries:
        raise node.fail("ends on both sides", "keep 'least' or 'most'")
    ends = {key: entries[key].number() for key in ("least", "most") if key in entries}
    return Level(entries["mean"].number(), entries["sd"].number(0), amounts(entries.get("add"), names), **ends)


def factors(node: Node | None, names: Collection[str]) -> Mapping[str, float]:
    """A factor above 0 for each feature named."""
    entries = node.record(optional=names) if node else {}
    return MappingProxyType({name: entry.number(_SMALLEST_FACTOR) for name, entry in entries.items()})


def amounts(node: Node | None, names: Collection[str]) -> Mapping[str, float]:
    """An amount of either sign for each feature named."""
    entries = node.record(optional=names) if node else {}
    return MappingProxyType({name: entry.number() for name, entry in entries.items()})


def share(node: Node) -> float:
    """A proportion."""
    return node.number(0, 1)


def span(node: Node, low: int, high: int) -> tuple[int, int]:
    """`[first, last]`, both inclusive, within low..high."""
    ends = [item.integer(low, high) for item in node.items()]
    if len(ends) != 2 or ends[0] > ends[1]:
        raise node.fail("is not a first and a last number", "write [first, last], the smaller one first")
    return ends[0], ends[1]


def joined(base: Node, over: Node, whole: Collection[str] = ()) -> Node:
    """`base` with what `over` says instead: mappings are joined key by key, anything else and `whole` is replaced."""
    if not (isinstance(base.content, dict) and isinstance(over.content, dict)):
        return over
    entries = dict(base.content)
    for key, node in over.content.items():
        entries[key] = joined(entries[key], node) if key in entries and key not in whole else node
    return over.holding(entries)


def _weight(node: Node, names: Collection[str]) -> Weight:
    if not isinstance(node.content, dict):
        return Weight(node.number(0), MappingProxyType({}))
    entries = node.record(required=("base",), optional=("times",))
    return Weight(entries["base"].number(0), factors(entries.get("times"), names))
