"""A first protocol from a few answers: a commented draft that can be read, checked and completed."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

from examtally.cohort.groupings import groupings
from examtally.contracts.contract import DEFAULT_JOINT, Contract, load_contract
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.study.file import MEASURES
from examtally.contracts.study.study import load_study, study_keys
from examtally.errors import StudyError
from examtally.files import write_whole
from examtally.studies.aims import BOTH
from examtally.studies.answers import KINDS, check_expected


@dataclass(frozen=True)
class Answers:
    """What `study new` asks. `tests` are maneuvers of the catalogue; by_group alone has `group_by` and `groups`.

    `measure` is sensitivity, specificity or both. What is `expected` of it (of both: one number each) and `smallest`,
    the smallest difference that matters, the half-width or the lower limit, plan the size where both are given.
    `since`, the first period after an intervention, is asked of change only.
    `catalogue` is the group's own file behind the contract, if there is one, as seen from the protocol's folder.
    """

    code: str
    title: str
    question: str
    hypothesis: str
    kind: str
    tests: tuple[str, ...]
    condition: str
    group_by: str
    purpose: str
    contract: Contract = field(default_factory=load_contract)
    catalogue: Path | None = None
    groups: tuple[str, ...] = ()
    measure: str = BOTH
    expected: tuple[float, ...] = ()
    smallest: float | None = None
    since: str = ""

    @property
    def measures(self) -> tuple[str, ...]:
        """The measures that are asked for."""
        return MEASURES if self.measure == BOTH else (self.measure,)


def draft(answers: Answers) -> str:
    """Return a protocol as YAML; what was not answered stands in it as a comment.

    Raises StudyError or ProtocolError where an answer is not legal.
    """
    if answers.kind not in KINDS:
        raise StudyError(f"'{answers.kind}' is not a kind of study; use one of {', '.join(KINDS)}")
    known = answers.contract.catalogue.maneuvers
    wrong = [code for code in answers.tests if code not in known]
    if wrong or not answers.tests:
        named = ", ".join(wrong) or "no test"
        raise StudyError(
            f"{named}: name maneuvers of the catalogue; `examtally dictionary --table maneuvers` lists them"
        )
    if answers.expected:
        check_expected(answers.expected, answers.measure)
    return "\n".join([*_head(answers), *_tests(answers), *_analysis(answers), *_rest(answers)]) + "\n"


def legal_groups(contract: Contract, group_by: str, condition: str) -> tuple[str, ...]:
    """The groups of a grouping in their order; empty where the records name them."""
    if group_by == SEVERITY:
        return tuple(one.code for one in contract.catalogue.conditions[condition].severity)
    return {one.name: one.order for one in groupings(contract, load_protocol({}, contract))}[group_by]


def check_new(out: Path) -> None:
    """Raise StudyError where the file to write is there already."""
    if out.exists():
        raise StudyError(f"{out.name} exists; name another file with --out, so that no protocol is lost")


def write_draft(answers: Answers, out: Path) -> Path:
    """Write the draft to a new file and return it; the draft is read back, so that it is never one that cannot be."""
    check_new(out)
    text = draft(answers)
    try:
        write_whole(out, text, is_new=True)
    except OSError as fault:
        raise StudyError(f"{out.name}: cannot be written ({fault.strerror}); name another file with --out") from None
    try:
        load_study(out)
    except BaseException:
        out.unlink()
        raise
    return out


def _quoted(text: str) -> str:
    """Text as a YAML scalar that no sign in it can break."""
    return json.dumps(" ".join(text.split()), ensure_ascii=False)


def _says(answers: Answers, section: str, name: str) -> str:
    """The declared description of a key, as a comment."""
    (key,) = (one for one in study_keys() if (one.section, one.name) == (section, name))
    return answers.contract.catalogue.noun.said(f"# {key.description}")


def _head(answers: Answers) -> list[str]:
    lines = [
        "# A study protocol. `examtally study check` says what is missing,",
        "# `examtally dictionary --table study` lists every key.",
        f"study: {_quoted(answers.code)}",
        f"title: {_quoted(answers.title)}",
        "",
        _says(answers, "study", "question"),
        _line("question", answers.question),
        _says(answers, "study", "hypotheses"),
    ]
    lines += ["hypotheses:", f"  - {_quoted(answers.hypothesis)}"] if answers.hypothesis else ["# hypotheses: []"]
    return [
        *lines,
        "",
        _says(answers, "study", "population"),
        "# population:",
        "#   - {column: participants.age_years, is: at_least, value: 16}",
        "#   - {column: exams.days_since_onset, is: at_most, value: 42}",
        "",
    ]


def _line(key: str, text: str) -> str:
    return f"{key}: {_quoted(text)}" if text else f"# {key}: write it here"


def _tests(answers: Answers) -> list[str]:
    maneuvers = answers.contract.catalogue.maneuvers
    lines = [_says(answers, "study", "tests"), "tests:"]
    for code in answers.tests:
        lines += [
            f"  test_{code}:",
            f"    title: {_quoted(maneuvers[code].name)}",
            f"    # positive: {maneuvers[code].positive}",
            f"    rule: {{maneuver: {code}}}",
        ]
    if answers.condition and answers.kind != "agreement":
        lines += ["", _says(answers, "study", "target"), f"target: {{condition: {_quoted(answers.condition)}}}"]
    return [
        *lines,
        "",
        _says(answers, "study", "blinding"),
        "# blinding:",
        "#   examiner: known_excluded   # or any",
        "#   reader: any                # or blinded_only",
        *(
            ["#   between_tests: how the tests were kept from influencing each other"]
            if answers.kind == "paired"
            else []
        ),
        "",
    ]


def _analysis(answers: Answers) -> list[str]:
    tests = ", ".join(f"test_{code}" for code in answers.tests)
    lines = [
        _says(answers, "study", "primary"),
        "primary:",
        "  - name: main",
        f"    kind: {_quoted(answers.kind)}",
        f"    tests: [{tests}]",
    ]
    if answers.kind == "by_group":
        lines.append(f"    group_by: {_quoted(answers.group_by)}")
    if answers.kind != "agreement":
        lines.append(f"    measures: [{', '.join(answers.measures)}]")
    if answers.kind == "change":
        lines += [
            f"    since: {_quoted(answers.since)}",
            "    # reached_roles: [resident]   # everybody where left out",
        ]
    return [*lines, "# secondary: []", "# subgroups: [sex, age_band]", ""]


def _rest(answers: Answers) -> list[str]:
    lines = _planned(answers)
    is_given = bool(answers.expected) and answers.smallest is not None and answers.kind != "agreement"
    head = [] if is_given else ["# Take the numbers from the literature or a pilot, then take the # away."]
    mark = "" if is_given else "# "
    return [
        _says(answers, "study", "planned_size"),
        *head,
        f"{mark}planned_size:",
        *(f"{mark}  {line}" for line in lines),
        "",
        _says(answers, "study", "governance"),
        *(
            ["governance:", f"  purpose: {_quoted(answers.purpose)}"]
            if answers.purpose
            else ["# governance:", "#   purpose: research"]
        ),
        *(f"{'  # ' if answers.purpose else '#   '}{line}" for line in _PERMISSION),
        *_settings(answers),
    ]


_EXAMPLES = {"accuracy": 0.1, "paired": 0.1, "by_group": 0.15, "change": 0.15}
_LEAST_BELOW = 0.1  # of a lower limit that stands as an example


def _planned(answers: Answers) -> list[str]:
    """The keys of the planned size, with the numbers given or examples in their place."""
    if answers.kind == "agreement":
        return ["aim: kappa_half_width", "kappa: 0.6", "positive_share: 0.3", "half_width: 0.1"]
    expected = answers.expected or tuple(0.85 if one == "sensitivity" else 0.9 for one in answers.measures)
    numbers = [f"{name}: {value:g}" for name, value in zip(answers.measures, expected, strict=True)]
    smallest = _EXAMPLES[answers.kind] if answers.smallest is None else answers.smallest
    measure = [] if answers.measure == "sensitivity" else [f"measure: {answers.measure}"]
    if answers.kind != "accuracy":
        aim = "paired" if answers.kind == "paired" else "unpaired"
        return [f"aim: {aim}", *measure, *numbers, f"difference: {smallest:g}"]
    if answers.measure == BOTH:
        return ["aim: half_width", *numbers, f"half_width: {smallest:g}"]
    least = expected[0] - _LEAST_BELOW if answers.smallest is None else answers.smallest
    return ["aim: lower_limit", *measure, *numbers, f"lower_limit: {least:g}"]


def _settings(answers: Answers) -> list[str]:
    """Keys of the analysis protocol: the joint, or the group's own catalogue, and which groups are compared."""
    lines = _joint(answers)
    if answers.groups and answers.kind == "by_group":
        pair = ", ".join(_quoted(group) for group in answers.groups)
        lines += [] if lines else ["", "analysis:"]
        lines += ["  comparisons:", f"    groups: {{{answers.group_by}: [[{pair}]]}}"]
    return lines


def _joint(answers: Answers) -> list[str]:
    """What names another joint than the default, or the group's own catalogue."""
    if answers.catalogue is not None:
        return ["", "analysis:", f"  catalogue: {_quoted(str(answers.catalogue))}"]
    joint = answers.contract.catalogue.joint
    return [] if joint == DEFAULT_JOINT else ["", "analysis:", f"  joint: {joint}"]


_PERMISSION = (
    "determination: exempt          # approved, exempt, not_research, pending",
    'learners_covered: "yes"        # yes, no',
    "data_use_agreement: in_force   # in_force, not_needed, pending",
)
