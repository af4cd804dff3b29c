"""The questions of `study new`: each says whether it must be answered, and is asked again until it can be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import typer
import yaml

from examtally.cli.stopping import hear_at_prompt, tell
from examtally.errors import ExamtallyError, StudyError
from examtally.files import write_whole

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract
    from examtally.studies.drafting import Answers

_MUST = "(required)"
_BEFORE_LOCK = "(required before the lock; blank for later)"
_RESEARCH = "(research cannot be locked without it; blank for later)"
_NUMBER = "(above 0 and below 1, from the literature or a pilot; required before the lock; blank for later)"
_KIND = (
    "What is studied: accuracy (tests against the reference), paired (two tests on the same «nouns»), by_group (a test "
    "in two groups: of examiners, people, time since onset or severity), agreement (two examiners), change (before and "
    "after an intervention)"
)
_SMALLEST = {
    "half_width": "Half-width that the intervals shall have at most",
    "lower_limit": "What the lower limit of the interval shall exceed",
    "paired": "Smallest difference between the two tests that matters",
    "by_group": "Smallest difference between the two groups that matters",
    "change": "Smallest change that matters",
}
_GROUPS = ("role (training level of the examiner)", "sex", "age_band", "acuity (time since onset)")
_SENTENCES = {
    "title": f"Title of the paper {_MUST}",
    "question": f"The question in one sentence {_BEFORE_LOCK}",
    "hypothesis": f"What do you expect, in which direction {_BEFORE_LOCK}",
    "between_tests": f"How were the two tests kept from influencing each other, or that they were not {_BEFORE_LOCK}",
}
_GOVERNANCE = {
    "purpose": f"Purpose {_BEFORE_LOCK}",
    "determination": f"What the ethics board or its delegate decided {_RESEARCH}",
    "learners_covered": f"Does that cover learners as subjects of the study {_RESEARCH}",
    "data_use_agreement": f"Data-use agreement {_RESEARCH}",
}
_BLINDING = {
    "examiner": "May the examiner have known a reference result: known_excluded (exams where it was known are left "
    "out), any (all exams)",
    "reader": "May the reader of the reference have known the exam: any (all readings), blinded_only",
}


@dataclass
class Kept:
    """The answers so far: those kept in a file beside the draft when an earlier try was stopped, and what was typed."""

    path: Path
    answers: dict[str, str] = field(default_factory=dict)
    typed: bool = False
    asks: str = ""

    @property
    def where(self) -> str:
        """Where the answers are after this try."""
        if not self.typed and not self.path.exists():
            return "nothing was stored"
        return f"your answers are kept in {self.path}; the same command goes on from there"

    def read(self) -> None:
        """Take the answers of an earlier try, where there are any; StudyError where the file cannot be read."""
        if not self.path.exists():
            return
        try:
            found = yaml.safe_load(self.path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, yaml.YAMLError):
            found = None
        if not isinstance(found, dict):
            raise StudyError(f"{self.path.name}: holds no answers that can be read; remove it to begin anew")
        self.answers = {str(name): str(answer) for name, answer in found.items()}
        typer.echo(f"Answers kept in {self.path} are taken; remove that file to begin anew.")

    def write(self) -> None:
        """Keep what was typed."""
        if self.typed:
            text = yaml.safe_dump(self.answers, sort_keys=False, allow_unicode=True, default_style='"')
            write_whole(self.path, text)


@contextmanager
def keeping(out: Path) -> Iterator[Kept]:
    """While a draft is asked for and written no answer is lost: what stops it leaves them in a file, and says so."""
    kept = Kept(out.with_name(f"{out.stem}.answers.yaml"))
    tell(lambda: kept.where)
    kept.read()
    try:
        yield kept
    except BaseException as fault:
        try:
            kept.write()
        except OSError as error:
            raise StudyError(f"the answers cannot be kept: {error.strerror}") from fault
        if isinstance(fault, typer.Abort):
            raise StudyError(f"the input ended at the question '{kept.asks}'; {kept.where}") from None
        if isinstance(fault, ExamtallyError) and kept.typed:
            raise StudyError(f"{fault}; {kept.where}") from None
        raise
    kept.path.unlink(missing_ok=True)


def asked(contract: Contract, given: Mapping[str, str | None], catalogue: Path | None, kept: Kept) -> Answers:
    """What was given as options or kept, and for the rest the answers on the terminal."""
    from examtally.studies.answers import read_code, read_condition, read_kind, read_since, read_tests, shares
    from examtally.studies.drafting import Answers

    ask = _Questions(contract, given, kept)
    maneuvers = contract.catalogue.maneuvers
    first = next(one for one in maneuvers.values() if one.core and one.conditions)
    kind = ask("kind", f"{_KIND} {_MUST}", read_kind, "accuracy")
    is_judged = kind != "agreement"
    named = {
        "code": ask("code", f"Short code of the study, small letters and _ {_MUST}", read_code, "my_study"),
        "title": ask.sentence("title", must=True),
        "question": ask.sentence("question"),
        "hypothesis": ask.sentence("hypothesis"),
    }
    read = partial(read_tests, contract=contract, kind=kind)
    tests = ask("tests", _of_tests(kind), read).split(", ")
    groups: tuple[str, ...] = ()
    condition, group_by, since = "", "", ""
    if is_judged:
        its = (*maneuvers[tests[0]].conditions, *first.conditions)[0]
        condition = ask("condition", f"Target condition {_MUST}", partial(read_condition, contract=contract), its)
    if kind == "by_group":
        group_by, groups = ask.groups(condition)
    if kind == "change":
        since = ask("since", f"First period after the intervention, as 2026-03 or P007 {_MUST}", read_since)
    measure = ask.measure(group_by) if is_judged else "both"
    expected, smallest = ask.size(kind, measure, tests, groups)
    return Answers(
        **named,
        kind=kind,
        tests=tuple(tests),
        condition=condition,
        group_by=group_by,
        groups=groups,
        measure=measure,
        expected=shares(expected),
        smallest=next(iter(shares(smallest)), None),
        since=since,
        **(ask.blinding() if is_judged else {}),
        between_tests=ask.sentence("between_tests") if kind == "paired" else "",
        **ask.governance(),
        contract=contract,
        catalogue=catalogue,
    )


def _of_tests(kind: str) -> str:
    which = "The two maneuvers, parted by a comma" if kind == "paired" else "Maneuvers, parted by commas"
    return f"{which}; codes or names {_MUST}"


class _Questions:
    """Asks what was neither given as an option nor kept."""

    def __init__(self, contract: Contract, given: Mapping[str, str | None], kept: Kept) -> None:
        self.contract, self.given, self.kept = contract, given, kept

    def __call__(self, name: str, question: str, read: Callable[[str], str], default: str = "") -> str:
        """An option, a kept answer, or the answer to a question on the terminal, asked until it can be read."""
        option = self.given[name]
        if option is not None:
            return read(option)
        answer = self._kept(name, read)
        words, self.kept.asks = self.contract.catalogue.noun.said(question), name
        while answer is None:
            hear_at_prompt()
            text = str(typer.prompt(words, default=default, show_default=bool(default)))
            try:
                answer = read(text)
            except StudyError as fault:
                typer.echo(f"Error: {fault}")
            else:
                self.kept.answers[name], self.kept.typed = text, True
        return answer

    def _kept(self, name: str, read: Callable[[str], str]) -> str | None:
        try:
            return read(self.kept.answers[name])
        except KeyError:
            return None
        except StudyError as fault:
            typer.echo(f"{self.kept.path.name}: {name}: {fault}")
            return None

    def sentence(self, name: str, *, must: bool = False) -> str:
        """A text."""
        from examtally.studies.answers import read_text

        return self(name, _SENTENCES[name], partial(read_text, must=must))

    def groups(self, condition: str) -> tuple[str, tuple[str, ...]]:
        """What makes the groups, and which two are compared; none where the records name them."""
        from examtally.studies.answers import read_group, read_groups
        from examtally.studies.drafting import days_of, legal_groups, usual_groups

        usual = ", ".join(dict.fromkeys((*_GROUPS, *self.contract.catalogue.groupings)))
        read = partial(read_group, contract=self.contract, condition=condition)
        group_by = self("group_by", f"What makes the groups: {usual}, severity, … {_MUST}", read, "role")
        legal = legal_groups(self.contract, group_by, condition)
        if not legal:
            return group_by, ()
        days = days_of(self.contract) if group_by == "acuity" else {}
        named = ", ".join(f"{one} ({days[one]})" if one in days else one for one in legal)
        can_merge = group_by != "severity"
        merged = "; + joins levels into one group" if can_merge else ""
        which = f"Which two groups, the one with the higher figure first, of {named}{merged} {_MUST}"
        read_pair = partial(read_groups, legal=legal, can_merge=can_merge)
        pair = ", ".join(usual_groups(self.contract, group_by, legal))
        return group_by, tuple(self("groups", which, read_pair, pair).split(", "))

    def measure(self, group_by: str) -> str:
        """What is compared or estimated."""
        from examtally.studies.answers import read_measure

        is_graded = group_by == "severity"  # of which a degree of the condition has sensitivity alone
        of = "sensitivity (a degree of the condition has no other)" if is_graded else "sensitivity, specificity, both"
        read = partial(read_measure, group_by=group_by)
        return self("measure", f"Measure: {of} {_MUST}", read, "sensitivity" if is_graded else "both")

    def size(self, kind: str, measure: str, tests: list[str], groups: tuple[str, ...]) -> tuple[str, str]:
        """What is expected, and the smallest difference that matters, half-width or limit."""
        from examtally.studies.answers import read_expected, read_smallest, shares
        from examtally.studies.drafting import planned_size, smallest_key

        of = "sensitivity and specificity, parted by a comma," if measure == "both" else measure
        if kind == "agreement":
            of = "kappa and share of positive findings, parted by a comma,"
        whose = self._whose(kind, tests, groups)
        read = partial(read_expected, kind=kind, measure=measure)
        expected = self("expected", f"Expected {of} {whose} {_NUMBER}", read)
        key = smallest_key(kind, measure)
        planned = planned_size(kind, measure, shares(expected))
        what = _SMALLEST.get(kind) or _SMALLEST[key]
        return expected, self("smallest", f"{what} {_NUMBER}", partial(read_smallest, planned=planned, key=key))

    def _whose(self, kind: str, tests: list[str], groups: tuple[str, ...]) -> str:
        """Of which test, group or time a figure is expected."""
        from examtally.contracts.protocol.estimates import group_words

        first = self.contract.catalogue.maneuvers[tests[0]].name
        if kind == "paired":
            return "of the test that you expect to be lower (the other exceeds it by the difference asked next)"
        if kind == "by_group":
            one, other = map(group_words, groups or ("the better group", "the other"))
            return f"of {first}, group {one} (group {other} is taken to be lower by the difference asked next)"
        if kind == "change":
            return f"of {first} after the intervention (before it, lower by the change asked next)"
        return f"of {first}"

    def blinding(self) -> dict[str, str]:
        """Who may have known what."""
        from examtally.studies.answers import read_choice

        return {
            name: self(name, f"{words} {_BEFORE_LOCK}", partial(read_choice, section="blinding", name=name))
            for name, words in _BLINDING.items()
        }

    def governance(self) -> dict[str, str]:
        """Purpose and permission."""
        from examtally.studies.answers import legal_codes, read_choice

        found = {}
        for name, words in _GOVERNANCE.items():
            head, tail = words.split(" (", 1)
            question = f"{head}: {', '.join(legal_codes('governance', name))} ({tail}"
            found[name] = self(name, question, partial(read_choice, section="governance", name=name))
        return found
