"""The analyses a study declares: each named once, each asking for what can be had."""

from __future__ import annotations

from collections.abc import Sequence

from examtally.contracts.study_form import Entry, study_form
from examtally.contracts.study_parts import Selection, StudyAnalysis
from examtally.contracts.yamlfile import CODE, Node

_MOST = 20
_OF_AGREEMENT = ("statistics", "pairs_of")


def read_analyses(entry: Entry, selection: Selection) -> tuple[tuple[StudyAnalysis, ...], tuple[StudyAnalysis, ...]]:
    """Return the primary and the secondary analyses of a study."""
    seen: set[str] = set()
    primary = _list(entry.at("primary"), selection, seen)
    secondary = _list(entry.at("secondary"), selection, seen) if entry.has("secondary") else ()
    if not primary:
        raise entry.at("primary").fail("is empty", "declare one primary analysis")
    return primary, secondary


def _list(node: Node, selection: Selection, seen: set[str]) -> tuple[StudyAnalysis, ...]:
    items = node.items()
    if len(items) > _MOST:
        raise node.fail(f"holds {len(items)} analyses", f"declare at most {_MOST}")
    return tuple(_analysis(item, selection, seen) for item in items)


def _analysis(node: Node, selection: Selection, seen: set[str]) -> StudyAnalysis:
    entry = study_form().entry("analysis", node)
    name = entry.at("name").text(CODE)
    if name in seen:
        raise entry.at("name").fail(f"'{name}' stands twice", "give each analysis a name of its own")
    seen.add(name)
    kind = entry.code("kind", "a kind of analysis") or ""
    is_agreement = kind == "agreement"
    _check(entry, kind, selection)
    return StudyAnalysis(
        name=name,
        kind=kind,
        tests=_tests(entry.at("tests"), kind, [test.code for test in selection.tests]),
        measures=() if is_agreement else entry.codes("measures", "a measure"),
        statistics=entry.codes("statistics", "a statistic of agreement") if is_agreement else (),
        group_by=entry.code("group_by", "a group"),
        pairs_of=entry.code("pairs_of", "a kind of pair") or "overall",
    )


def _tests(node: Node, kind: str, legal: Sequence[str]) -> tuple[str, ...]:
    tests = node.codes("an index test of this protocol", legal)
    if not tests or (kind == "paired" and len(tests) != 2):
        raise node.fail(f"names {len(tests)} tests", "name exactly two" if kind == "paired" else "name at least one")
    return tests


def _check(entry: Entry, kind: str, selection: Selection) -> None:
    if kind != "agreement" and selection.target is None:
        raise entry.at("kind").fail(f"{kind} needs a target condition", "add `target` with its condition")
    if kind == "by_group" and not entry.has("group_by"):
        raise entry.node.fail("does not say which groups to compare", "add `group_by`")
    if kind == "agreement":
        useless = [name for name in ("measures", "group_by") if entry.has(name)]
    else:
        useless = [name for name in _OF_AGREEMENT if entry.has(name)]
    if useless:
        raise entry.at(useless[0]).fail(f"is not used by {kind}", "remove it")
