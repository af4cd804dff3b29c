"""Rules of index tests with their references resolved: cycles, depth and size are looked at here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Faults, Steps
from examtally.contracts.study.parts import Either, Every, IndexTest, Leaf, Rule, Target, leaves
from examtally.contracts.study.selection import RuleEntry, TestEntry

_DEEPEST = 6
_MOST_FINDINGS = 40


def resolved_tests(tests: Mapping[str, TestEntry], faults: Faults) -> tuple[IndexTest, ...]:
    """The index tests whose rules lead to findings; what is wrong with the others is noted in `faults`."""
    found = []
    reached: set[str] = set()  # by tests at fault: what is wrong with these is said already
    for code, entry in tests.items():
        title = entry.title or code.replace("_", " ")
        trail = _Trail(tests, [code])
        try:
            found.append(IndexTest(code, title, trail.rule(entry.rule, ("tests", code, "rule"))))
        except Fault as fault:
            if code not in reached:
                faults.add(fault.at, fault.problem, fault.mend)
            reached |= trail.reached
    return tuple(found)


class _Trail:
    """Reads the rule of one test and of all it leads to; `open` are the tests whose rule is being read."""

    def __init__(self, tests: Mapping[str, TestEntry], opened: list[str]) -> None:
        self.tests = tests
        self.open = opened
        self.reached: set[str] = set()

    def rule(self, entry: RuleEntry, place: Steps, depth: int = 1) -> Rule:
        """One rule and all below it; raises Fault at its place."""
        if depth > _DEEPEST:
            raise Fault("is nested too deeply", f"nest at most {_DEEPEST} rules", *place)
        if entry.form == "maneuver":
            return entry.leaf()
        if entry.test is not None:
            return self._of_test(entry.test, (*place, "test"), depth)
        below = (*place, entry.form)
        entries = entry.any_of or entry.all_of or ()
        _few(len(entries), below)
        parts = tuple(self.rule(one, (*below, index), depth + 1) for index, one in enumerate(entries))
        made = Either(parts) if entry.form == "any_of" else Every(parts)
        _few(len(leaves(made)), below)
        return made

    def _of_test(self, code: str, place: Steps, depth: int) -> Rule:
        if code not in self.tests:
            raise Fault(f"'{code}' is not an index test of this protocol", nearest(code, self.tests), *place)
        if code in self.open:
            mend = "name another test"
            raise Fault(f"the rule comes back to itself ({' > '.join((*self.open, code))})", mend, *place)
        self.reached.add(code)
        self.open.append(code)
        rule = self.rule(self.tests[code].rule, ("tests", code, "rule"), depth + 1)
        self.open.pop()
        return rule


def _few(findings: int, place: Steps) -> None:
    if not 2 <= findings <= _MOST_FINDINGS:
        raise Fault(f"holds {findings} findings", f"write 2 to {_MOST_FINDINGS}", *place)


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
        compared_with_other_side=any(one.compared_with_other_side for one in used),
        variant_of=None,
        core=False,
        cautions=tuple(dict.fromkeys(caution for one in used for caution in one.cautions)),
        published=(),
        synonyms=(),
    )
