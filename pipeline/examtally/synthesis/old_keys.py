"""Scenario keys under the names they had when all scenarios were of one joint: they go on being read."""

from __future__ import annotations

from examtally.contracts.yamlfile import Node

_MOVED = (
    (("people", "thigh_cm"), ("people", "columns", "thigh_cm")),
    (("sheet", "effusion"), ("sheet", "columns", "effusion")),
    (("sheet", "other_knee"), ("sheet", "other_side")),
    (("visits", "both_knees"), ("visits", "both_sides")),
    (("writing", "flexion_recorded"), ("writing", "columns", "flexion_deg")),
    (("families", "*", "knee"), ("families", "*", "joint")),
    (("maneuvers", "*", "flexion_deg"), ("maneuvers", "*", "columns", "flexion_deg")),
)


def renamed(top: Node) -> Node:
    """The scenario with every key under its present name."""
    for old, new in _MOVED:
        top = _moved(top, old, new)
    return top


def _moved(node: Node, old: tuple[str, ...], new: tuple[str, ...]) -> Node:
    if not isinstance(node.content, dict):
        return node
    entries = dict(node.content)
    if old[0] == "*":
        return node.holding({key: _moved(one, old[1:], new[1:]) for key, one in entries.items()})
    if len(old) > 1:
        if old[0] in entries:
            entries[old[0]] = _moved(entries[old[0]], old[1:], new[1:])
        return node.holding(entries)
    if old[0] in entries:
        return _put(node.holding(entries), new, entries.pop(old[0]))
    return node


def _put(node: Node, path: tuple[str, ...], value: Node) -> Node:
    entries = dict(node.content) if isinstance(node.content, dict) else {}
    if len(path) == 1:
        entries.setdefault(path[0], value)
    else:
        entries[path[0]] = _put(entries.get(path[0], node.child(path[0], value.line)), path[1:], value)
    return node.holding(entries)
