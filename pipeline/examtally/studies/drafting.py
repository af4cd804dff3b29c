"""A first protocol from a few answers: a commented draft that can be read, checked and completed."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
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
from examtally.studies.aims import BOTH, KAPPA
from examtally.studies.answers import KINDS, check_expected
from examtally.studies.declared import WITHOUT_ORDER


@dataclass(frozen=True)
class Answers:
    """What `study new` asks. `tests` are maneuvers of the catalogue; by_group alone has `group_by` and `groups`.

    `measure` is sensitivity, specificity or both. What is `expected` of it (of both: one number each; for agreement
    kappa and the share of positive findings) and `smallest`, the smallest difference that matters, the half-width or
    the lower limit, plan the size where both are given. `since`, the first period after an intervention, is asked of
    change only, `between_tests` of paired. What is blank is left for later.
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
    examiner: str = ""
    reader: str = ""
    between_tests: str = ""
    determination: str = ""
    learners_covered: str = ""
    data_use_agreement: str = ""

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
        check_expected(answers.expected, answers.kind, answers.measure)
    return "\n".join([*_head(answers), *_tests(answers), *_analysis(answers), *_rest(answers)]) + "\n"


def legal_groups(contract: Contract, group_by: str, condition: str) -> tuple[str, ...]:
    """The groups of a grouping in their order; empty where the records name them, and none can be compared."""
    if group_by == SEVERITY:
        return tuple(one.code for one in contract.catalogue.conditions[condition].severity)
    return {one.name: one.order for one in groupings(contract, load_protocol({}, contract))}[group_by]


def usual_groups(contract: Contract, group_by: str, legal: Sequence[str]) -> tuple[str, str]:
    """The two groups that are compared where nothing is said, in their declared order."""
    declared = load_protocol({}, contract).comparisons.groups.get(group_by)
    one, other = declared[0] if declared else (legal[0], legal[1 if group_by in WITHOUT_ORDER else -1])
    return (one, other) if legal.index(one) < legal.index(other) else (other, one)


def days_of(contract: Contract) -> dict[str, str]:
    """Each band of time since onset with the days that it means."""
    bands = load_protocol({}, contract).groups.bands("acuity")
    return dict(zip(bands.codes, bands.spans("days"), strict=True))


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
    return [*lines, "", *_section(answers, "blinding", _blinding(answers)), ""]


def _blinding(answers: Answers) -> dict[str, tuple[str, str]]:
    between = {"between_tests": (answers.between_tests, "how the tests were kept from influencing each other")}
    return {
        "examiner": (answers.examiner, "known_excluded   # or any"),
        "reader": (answers.reader, "any                # or blinded_only"),
        **(between if answers.kind == "paired" else {}),
    }


def _governance(answers: Answers) -> dict[str, tuple[str, str]]:
    return {
        "purpose": (answers.purpose, "research               # research, quality_improvement, teaching"),
        "determination": (answers.determination, "exempt          # approved, exempt, not_research, pending"),
        "learners_covered": (answers.learners_covered, '"yes"        # yes, no'),
        "data_use_agreement": (answers.data_use_agreement, "in_force   # in_force, not_needed, pending"),
    }


def _section(answers: Answers, name: str, keys: Mapping[str, tuple[str, str]]) -> list[str]:
    """A section of the protocol: what was answered as keys, what was not as comments with an example."""
    is_begun = any(said for said, _ in keys.values())
    lines = [_says(answers, "study", name), f"{name}:" if is_begun else f"# {name}:"]
    for key, (said, example) in keys.items():
        aside = "  # " if is_begun else "#   "
        lines.append(f"  {key}: {_quoted(said)}" if said else f"{aside}{key}: {example}")
    return lines


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
    is_given = bool(answers.expected) and answers.smallest is not None
    head = [] if is_given else ["# Take the numbers from the literature or a pilot, then take the # away."]
    mark = "" if is_given else "# "
    examples = _EXPECTED if answers.kind != "agreement" else {"kappa": 0.6, "positive_share": 0.3}
    named = expected_keys(answers.kind, answers.measure)
    expected = answers.expected or tuple(examples[name] for name in named)
    planned = planned_size(answers.kind, answers.measure, expected)
    example = expected[0] - _LEAST_BELOW if planned["aim"] == "lower_limit" else _SMALLEST[answers.kind]
    planned[smallest_key(answers.kind, answers.measure)] = example if answers.smallest is None else answers.smallest
    numbers = {key: value if isinstance(value, str) else f"{value:g}" for key, value in planned.items()}
    return [
        _says(answers, "study", "planned_size"),
        *head,
        f"{mark}planned_size:",
        *(f"{mark}  {key}: {value}" for key, value in numbers.items()),
        f"{mark}  # knees: the number that `examtally study plan` prints",
        "",
        *_section(answers, "governance", _governance(answers)),
        *_settings(answers),
    ]


_SMALLEST = {"accuracy": 0.1, "paired": 0.1, "by_group": 0.15, "change": 0.15, "agreement": 0.1}
_EXPECTED = {"sensitivity": 0.85, "specificity": 0.9}
_LEAST_BELOW = 0.1  # of a lower limit that stands as an example


def expected_keys(kind: str, measure: str) -> tuple[str, ...]:
    """The keys of a planned size that say what is expected."""
    if kind == "agreement":
        return ("kappa", "positive_share")
    return MEASURES if measure == BOTH else (measure,)


def smallest_key(kind: str, measure: str) -> str:
    """The key of a planned size that says what it shall be enough for."""
    if kind == "agreement":
        return "half_width"
    if kind != "accuracy":
        return "difference"
    return "half_width" if measure == BOTH else "lower_limit"


def planned_size(kind: str, measure: str, expected: Sequence[float]) -> dict[str, float | str]:
    """The keys of a planned size but for the one of `smallest_key`; without numbers where nothing is expected yet."""
    key = smallest_key(kind, measure)
    aim = {"agreement": KAPPA, "paired": "paired", "accuracy": key}.get(kind, "unpaired")
    of = {"measure": measure} if key != "half_width" and measure != "sensitivity" else {}
    numbers = zip(expected_keys(kind, measure), expected, strict=True) if expected else ()
    return {"aim": aim, **of, **dict(numbers)}


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
