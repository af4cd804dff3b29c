"""The questions of `study new`: each says whether it must be answered, and is asked again until it can be read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from examtally.errors import StudyError

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract
    from examtally.studies.drafting import Answers

_MUST = "(required)"
_BEFORE_LOCK = "(required before the lock; blank for later)"
_NUMBER = "(above 0 and below 1, from the literature or a pilot; required before the lock, blank for later)"
_KIND = (
    "What is studied: accuracy (tests against the reference), paired (two tests on the same «nouns»), by_group (a test "
    "in two groups: of examiners, people, time since onset or severity), agreement (two examiners), change (before and "
    "after an intervention)"
)
_SMALLEST = {
    "accuracy": "Half-width of the intervals (of both measures), or what the lower limit shall exceed (of one)",
    "paired": "Smallest difference between the two tests that matters",
    "by_group": "Smallest difference between the two groups that matters",
    "change": "Smallest change that matters",
}


def asked(contract: Contract, given: Mapping[str, str | None], catalogue: Path | None) -> Answers:
    """What was given as options, and for the rest the answers on the terminal."""
    from examtally.studies.answers import shares
    from examtally.studies.drafting import Answers

    ask = _Questions(contract, given)
    first = next(one for one in contract.catalogue.maneuvers.values() if one.core and one.conditions)
    kind = ask("kind", f"{_KIND} {_MUST}", "accuracy")
    named = {
        "code": ask("code", f"Short code of the study, small letters and _ {_MUST}", "my_study"),
        "title": ask("title", f"Title of the paper {_MUST}"),
        "question": ask("question", f"The question in one sentence {_BEFORE_LOCK}", ""),
        "hypothesis": ask("hypothesis", f"What do you expect, in which direction {_BEFORE_LOCK}", ""),
    }
    tests = ask("tests", f"Maneuvers, parted by commas {_MUST}", first.code)
    is_judged = kind != "agreement"
    condition = ask("condition", f"Target condition {_MUST}", first.conditions[0]) if is_judged else ""
    group_by, groups = ask.groups(condition) if kind == "by_group" else ("", "")
    since = ask("since", f"First period after the intervention, as 2026-03 or P007 {_MUST}") if kind == "change" else ""
    measure, expected, smallest = ask.size(kind, group_by) if is_judged else ("both", "", "")
    return Answers(
        **named,
        kind=kind,
        tests=tuple(tests.split(", ")),
        condition=condition,
        group_by=group_by,
        groups=tuple(filter(None, groups.split(", "))),
        measure=measure,
        expected=shares(expected),
        smallest=next(iter(shares(smallest)), None),
        since=since,
        purpose=ask("purpose", f"Purpose: research, quality_improvement, teaching {_BEFORE_LOCK}", ""),
        contract=contract,
        catalogue=catalogue,
    )


class _Questions:
    """Asks what was not given as an option."""

    def __init__(self, contract: Contract, given: Mapping[str, str | None]) -> None:
        self.contract, self.given = contract, given

    def __call__(self, name: str, question: str, default: str | None = None) -> str:
        """An option, or the answer to a question on the terminal."""
        from examtally.studies.answers import READERS

        reader = READERS.get(name)
        return self._read(name, question, lambda text: reader(text, self.contract) if reader else text.strip(), default)

    def groups(self, condition: str) -> tuple[str, str]:
        """What makes the groups, and which two are compared."""
        from examtally.studies.answers import read_groups
        from examtally.studies.drafting import legal_groups

        usual = ", ".join(dict.fromkeys(("role", "sex", "acuity", *self.contract.catalogue.groupings)))
        group_by = self("group_by", f"What makes the groups: {usual}, severity, … {_MUST}", "role")
        legal = legal_groups(self.contract, group_by, condition)
        which = f"Which two groups, first and second, of {', '.join(legal) or 'your codes'} (blank: the usual two)"
        return group_by, self._read("groups", which, lambda text: read_groups(text, legal), "")

    def size(self, kind: str, group_by: str) -> tuple[str, str, str]:
        """Measure, what is expected of it, and the smallest difference that matters."""
        usual = "sensitivity" if group_by == "severity" else "both"  # which alone a degree of the condition has
        measure = self("measure", f"Measure: sensitivity, specificity, both {_MUST}", usual)
        of = "sensitivity and specificity, parted by a comma" if measure == "both" else measure
        expected = self("expected", f"Expected {of} {_NUMBER}", "")
        return measure, expected, self("smallest", f"{_SMALLEST[kind]} {_NUMBER}", "")

    def _read(self, name: str, question: str, read: Callable[[str], str], default: str | None) -> str:
        def answer(text: str) -> str:
            try:
                return read(text)
            except StudyError as fault:
                raise typer.BadParameter(str(fault)) from None

        option = self.given[name]
        if option is not None:
            return read(option)
        words = self.contract.catalogue.noun.said(question)
        return str(typer.prompt(words, default=default, show_default=bool(default), value_proc=answer))
