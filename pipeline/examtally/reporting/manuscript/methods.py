"""The Methods, paragraph by paragraph, from the protocol and from what ran."""

from __future__ import annotations

from examtally.contracts.study.parts import Either, Every, Leaf, Rule
from examtally.reporting.engine.numbers import listed
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.manuscript.pairs import WHO
from examtally.reporting.manuscript.paper import TO_COMPLETE, Paper
from examtally.words import for_markdown

_BARS = (
    ("exclude_comparison_knees", "comparison «nouns»"),
    ("exclude_settings", "exams in the operating room"),
    ("exclude_prior_surgery", "«nouns» operated on before"),
    ("exclude_reference_known", "exams by someone who knew a reference result"),
    ("exclude_after_surgery", "exams after surgery"),
    ("exclude_after_reference", "exams after the reference was read"),
)


def design(paper: Paper) -> str:
    """Where the records come from and whom they are of."""
    periods = [
        line["group"] for item in ("first_period", "last_period") for line in paper.rows("cohort_summary", item=item)
    ]
    span = f" of the reporting periods {periods[0]} to {periods[-1]}" if periods else ""
    return (
        f"This is an analysis of a registry of physical examinations{span}, recorded in routine care: findings were "
        "written down at the exam, references as they were made in care. Whether exams were entered before the "
        f"reference was known stands exam by exam in the registry. Setting, location and dates: {TO_COMPLETE}."
    )


def participants(paper: Paper) -> str:
    """Filters, what is left out, and which exam of an episode counts."""
    filters = [filter_text(line["filter"]) for line in paper.rows("study_population") if line["place"]]
    asked = (
        f"The population was every exam with {listed(filters)}."
        if filters
        else "The population was every exam of the registry."
    )
    eligibility = paper.study.protocol.eligibility
    bars = [words for name, words in _BARS if getattr(eligibility, name)]
    first = (
        "Of the rest, the first exam of each episode of «a noun» is its index exam, whatever it found"
        if paper.condition
        else "Any two exams of one episode of «a noun» by different examiners make a pair"
    )
    return (
        f"{asked} Left out were {listed(bars)}. {first}. Exams form a consecutive series as far as every exam was "
        f"recorded: {TO_COMPLETE}."
    )


def index_tests(paper: Paper) -> str:
    """Each index test and when it is positive."""
    lines = [
        f"- *{paper.test_name(test.code)}* is positive where {rule_words(test.rule, paper)}."
        for test in paper.study.selection.tests
        if test.code in paper.used_tests()
    ]
    equivocal = {
        "excluded": "left out of the table and counted",
        "positive": "counted as positive",
        "negative": "counted as negative",
    }.get(paper.study.protocol.equivocal, paper.study.protocol.equivocal.replace("_", " "))
    between = for_markdown(paper.study.between_tests) or f"Blinding between the index tests: {TO_COMPLETE}."
    tail = f"\n\n{between}" if len(lines) > 1 else ""
    return "\n".join([*lines, "", f"Equivocal findings were {equivocal}.{tail}"])


def rule_words(rule: Rule, paper: Paper) -> str:
    """A positivity rule as words."""
    if isinstance(rule, Leaf):
        return _leaf(rule, paper)
    link = " or " if isinstance(rule, Either) else " and "
    parts = [rule_words(part, paper) for part in rule.parts]
    return link.join(
        f"({part})" if isinstance(inner, Either | Every) else part
        for part, inner in zip(parts, rule.parts, strict=True)
    )


def _leaf(leaf: Leaf, paper: Paper) -> str:
    asked = [
        ("a result of", leaf.result),
        ("a sign of", leaf.sign),
        ("an end point of", leaf.end_point),
    ]
    parts = [f"{words} {listed([one.replace('_', ' ') for one in values], 'or')}" for words, values in asked if values]
    name = inside_sentence(paper.catalogue.maneuvers[leaf.maneuver].name)
    if leaf == recorded_positive(leaf.maneuver):
        return f"{name} is recorded as positive"
    unit = paper.catalogue.maneuvers[leaf.maneuver].unit or ""
    numbers = (
        ("a grade of at least", leaf.grade_at_least, ""),
        ("a measured value of at least", leaf.measure_at_least, unit),
        ("a measured value of at most", leaf.measure_at_most, unit),
    )
    parts += [f"{words} {value:g} {of}".strip() for words, value, of in numbers if value is not None]
    if leaf.pain:
        parts.append("reproduction of the patient's pain" if leaf.pain == "yes" else "no reproduction of the pain")
    return f"{name} has {listed(parts)}"


def recorded_positive(maneuver: str) -> Leaf:
    """The rule that a maneuver is positive as it was recorded."""
    return Leaf(maneuver, ("positive",), None, None, None, None, None, None)


def reference(paper: Paper) -> str:
    """The reference standard, its window, what an undecided one counts as."""
    if paper.condition is None:
        return "Agreement alone is studied: there is no target condition and no reference standard."
    target, protocol = paper.study.selection.target, paper.study.protocol
    code = paper.condition.code
    accepted = [one.replace("_", " ") for one in protocol.reference.accepted[code]]
    first, last = protocol.windows[code]
    severity = ""
    if target and target.severity:
        others = "counted as absent" if target.other_severity == "absent" else "left out and counted"
        severity = (
            f" Present means {listed([one.replace('_', ' ') for one in target.severity], 'or')}; others were {others}."
        )
    undecided = {"excluded": "left out and counted"}.get(
        paper.study.selection.indeterminate, f"counted as {paper.study.selection.indeterminate}"
    )
    return (
        f"The target condition was {paper.condition_name} ({paper.condition.plain.rstrip('.')}).{severity} "
        f"It was settled by {listed(accepted, 'or')}, the first named deciding where several did, from day {first} to "
        f"day {last} after the exam. Undecided references were {undecided}. A condition that no reference mentions is "
        f"unknown, never absent. Rationale for the reference standard: {TO_COMPLETE}."
    )


def blinding(paper: Paper) -> str:
    """Who may have known what."""
    known = paper.study.protocol.eligibility.exclude_reference_known
    examiner = (
        "Exams whose examiner is recorded to have known a reference result were left out; where that is not recorded "
        "the exam stayed in."
        if known
        else "Exams were used whether or not the examiner knew a reference result."
    )
    if paper.condition is None:
        return examiner
    reader = (
        "Only readings whose reader is recorded not to have known the exam were used."
        if paper.study.protocol.reference.blinded_readers_only
        else "Readings were used whether or not the reader knew the exam."
    )
    return f"{examiner} {reader}"


def sample_size(paper: Paper) -> str:
    """What the study was planned for, with its source."""
    plan = paper.study.planned_size
    if plan.aim is None and plan.knees is None:
        return "No size was planned."
    numbers = listed([f"{name.replace('_', ' ')} {value:g}" for name, value in plan.numbers.items()])
    cite = {
        "half_width": " [@buderer1996]",
        "lower_limit": " [@flahault2005]",
        "paired": " [@connor1987]",
        "kappa_half_width": " [@bloch1989]",
    }.get(plan.aim or "", "")
    aim = (
        f"The size was planned for the aim *{(plan.aim or '').replace('_', ' ')}* ({numbers}){cite}."
        if plan.aim
        else ""
    )
    knees = (
        f"{plan.knees} «nouns» were planned for."
        if plan.knees is not None
        else f"Number of «nouns» planned for: {TO_COMPLETE}."
    )
    return f"{aim} {knees}".strip()


def filter_text(written: str) -> str:
    """A filter of the population in words: the column without its table.

    >>> filter_text("participants.age_years at least 16")
    'age years at least 16'
    """
    return written.partition(".")[2].replace("_", " ")


def agreement_words(paper: Paper) -> str:
    """Whose exams make a pair, of the analyses of agreement."""
    who = dict.fromkeys(WHO[one.pairs_of] for one in paper.study.analyses if one.kind == "agreement")
    return listed(list(who))
