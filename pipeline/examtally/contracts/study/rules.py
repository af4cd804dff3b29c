"""Positivity rules of index tests: read from nodes, held to the catalogue, references resolved, cycles refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.contract import Contract
from examtally.contracts.study.form import Entry, study_form
from examtally.contracts.study.parts import Either, Every, IndexTest, Leaf, Rule, Target, leaves
from examtally.contracts.yamlfile import CODE, Node

_DEEPEST = 6
_MOST_FINDINGS = 40
_MOST_TESTS = 20
_LONGEST_TITLE = 80
_OF_MANEUVER = ("result", "sign", "pain", "grade_at_least", "measure_at_least", "measure_at_most", "end_point")
_FORMS = ("maneuver", "any_of", "all_of", "test")


def read_tests(node: Node, contract: Contract) -> tuple[IndexTest, ...]:
    """Read the index tests; raises the file's error for what the catalogue does not know."""
    entries = {
        code: study_form().entry("test", one) for code, one in node.table("the code of an index test", CODE).items()
    }
    if not 1 <= len(entries) <= _MOST_TESTS:
        raise node.fail(f"names {len(entries)} index tests", f"name 1 to {_MOST_TESTS}")
    for code, entry in entries.items():
        if code in contract.catalogue.maneuvers:
            raise entry.node.fail(f"'{code}' is a maneuver of the catalogue", "give the index test a code of its own")
    reader = _Reader(contract, entries)
    return tuple(
        IndexTest(code, _title(entry, code), reader.rule(entry.at("rule"), (code,))) for code, entry in entries.items()
    )


def _title(entry: Entry, code: str) -> str:
    if not entry.has("title"):
        return code.replace("_", " ")
    title = entry.at("title").text()
    if len(title) > _LONGEST_TITLE or not title.isprintable():
        raise entry.at("title").fail("is not a short line", f"write at most {_LONGEST_TITLE} printable characters")
    return title


class _Reader:
    """Reads rules; `trail` holds the tests whose rule is being read, so that a cycle is seen."""

    def __init__(self, contract: Contract, tests: Mapping[str, Entry]) -> None:
        self.contract = contract
        self.tests = tests

    def rule(self, node: Node, trail: tuple[str, ...], depth: int = 1) -> Rule:
        """One rule and all below it."""
        if depth > _DEEPEST:
            raise node.fail("is nested too deeply", f"nest at most {_DEEPEST} rules")
        entry = study_form().entry("rule", node)
        form = _form(entry)
        if form == "maneuver":
            return _leaf(entry, self.contract)
        if form == "test":
            return self._of_test(entry.at("test"), trail, depth)
        items = _few(entry.at(form), len(entry.at(form).items()))
        parts = tuple(self.rule(one, trail, depth + 1) for one in items.items())
        made = Either(parts) if form == "any_of" else Every(parts)
        _few(items, len(leaves(made)))
        return made

    def _of_test(self, node: Node, trail: tuple[str, ...], depth: int) -> Rule:
        code = node.code("an index test of this protocol", self.tests)
        if code in trail:
            raise node.fail(f"the rule comes back to itself ({' > '.join((*trail, code))})", "name another test")
        return self.rule(self.tests[code].at("rule"), (*trail, code), depth + 1)


def _few(node: Node, findings: int) -> Node:
    """The list again, unless it holds too few or too many findings."""
    if not 2 <= findings <= _MOST_FINDINGS:
        raise node.fail(f"holds {findings} findings", f"write 2 to {_MOST_FINDINGS}")
    return node


def _form(entry: Entry) -> str:
    forms = [name for name in _FORMS if entry.has(name)]
    if len(forms) != 1:
        problem = f"has {' and '.join(forms)}" if forms else "says nothing"
        raise entry.node.fail(problem, f"write exactly one of {', '.join(_FORMS)}")
    beside = [name for name in _OF_MANEUVER if entry.has(name)]
    if forms[0] != "maneuver" and beside:
        raise entry.at(beside[0]).fail("belongs beside a maneuver", "move it into a rule with `maneuver`")
    return forms[0]


def _leaf(entry: Entry, contract: Contract) -> Leaf:
    code = entry.at("maneuver").code("a maneuver of the catalogue", contract.catalogue.maneuvers)
    maneuver = contract.catalogue.maneuvers[code]
    if maneuver.purpose == "safety":
        raise entry.at("maneuver").fail("is a safety check, recorded and never scored", "use a diagnostic maneuver")
    is_bare = not any(entry.has(name) for name in _OF_MANEUVER)
    return Leaf(
        maneuver=code,
        result=("positive",) if is_bare else _some(entry, "result", "a result"),
        sign=_signs(entry, code, maneuver.signs),
        pain=entry.code("pain", "an answer"),
        grade_at_least=_grade(entry, code, maneuver.grades),
        measure_at_least=_measure(entry, "measure_at_least", code, maneuver.unit),
        measure_at_most=_measure(entry, "measure_at_most", code, maneuver.unit),
        end_point=_some(entry, "end_point", "an end point"),
    )


def _some(entry: Entry, name: str, what: str) -> tuple[str, ...] | None:
    """The codes of a key that is given, at least one."""
    if not entry.has(name):
        return None
    return _filled(entry.at(name), entry.codes(name, what))


def _signs(entry: Entry, code: str, signs: tuple[str, ...]) -> tuple[str, ...] | None:
    if not entry.has("sign"):
        return None
    return _filled(entry.at("sign"), entry.at("sign").codes(f"a sign of {code}", signs))


def _filled(node: Node, codes: tuple[str, ...]) -> tuple[str, ...]:
    if not codes:
        raise node.fail("is empty", "name at least one, or remove the key")
    return codes


def _grade(entry: Entry, code: str, grades: Mapping[int, str]) -> int | None:
    if not entry.has("grade_at_least"):
        return None
    node = entry.at("grade_at_least")
    if not grades:
        raise node.fail(f"{code} has no grades", "use another part of the finding")
    return node.integer(min(grades), max(grades))


def _measure(entry: Entry, name: str, code: str, unit: str | None) -> float | None:
    if not entry.has(name):
        return None
    if unit is None:
        raise entry.at(name).fail(f"{code} has no measured value", "use another part of the finding")
    return entry.at(name).number(-1000, 1000)


def as_maneuver(test: IndexTest, target: Target | None, contract: Contract) -> Maneuver:
    """An index test as the catalogue would declare it; grades and unit where it looks at one maneuver only."""
    maneuvers = contract.catalogue.maneuvers
    used = [maneuvers[code] for code in dict.fromkeys(leaf.maneuver for leaf in leaves(test.rule))]
    first = used[0]
    is_one = isinstance(test.rule, Leaf)
    return replace(
        first,
        code=test.code,
        name=test.title,
        purpose="diagnostic" if target else "contributor",
        conditions=(target.condition,) if target else (),
        grades=first.grades if is_one else MappingProxyType({}),
        unit=first.unit if is_one else None,
        measure_name=first.measure_name if is_one else None,
        compared_with_other_knee=any(one.compared_with_other_knee for one in used),
        variant_of=None,
        core=False,
        cautions=tuple(dict.fromkeys(caution for one in used for caution in one.cautions)),
        published=(),
        synonyms=(),
    )
