"""The Methods, paragraph by paragraph, from the protocol, the catalogue and what ran."""

from __future__ import annotations

from collections.abc import Iterator

from examtally.contracts.study.parts import Either, Every, Filter, Leaf, Rule, leaves
from examtally.reporting.engine.numbers import count, counted, listed, percent, percent_range, share_of
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.manuscript.limits import whose
from examtally.reporting.manuscript.paper import TO_COMPLETE, Paper
from examtally.reporting.manuscript.values import capital, measure_name
from examtally.words import for_markdown

_BARS = (
    ("exclude_comparison_knees", "comparison «nouns»"),
    ("exclude_settings", "exams in the operating room"),
    ("exclude_prior_surgery", "«nouns» operated on before"),
    ("exclude_reference_known", "exams by someone who knew a reference result"),
    ("exclude_after_surgery", "exams after surgery"),
    ("exclude_after_reference", "exams after the reference was read"),
)
_SOURCES = {
    "half_width": "[@buderer1996]",
    "lower_limit": "[@flahault2005]",
    "paired": "[@connor1987]",
    "unpaired": "[@fleiss1980]",
    "kappa_half_width": "[@bloch1989]",
}
_COMPARED = {"at_least": "of at least", "at_most": "of at most"}


def design(paper: Paper) -> str:
    """Where the records come from, and whether the study was planned before they were made."""
    periods = [
        line["group"] for item in ("first_period", "last_period") for line in paper.rows("cohort_summary", item=item)
    ]
    span = _span(periods)
    locked = paper.found.lock_status.locked
    if locked and is_retrospective(paper):
        planned = (
            f"Findings and references had been recorded before this study was planned; {_when_locked(paper)}. It is "
            "therefore a retrospective study of records made in routine care."
        )
    elif locked:
        planned = (
            "Some of the findings and references were recorded after the protocol was locked, others before: the study "
            "is partly prospective."
        )
    else:
        planned = "Findings and references were recorded before this analysis was planned: the study is retrospective."
    late = sum(line["value"] or 0 for line in paper.rows("cohort_summary", item="entered_late"))
    known = (
        f" {counted(int(late), 'record')} reached the registry after a reference result of the «noun» was known."
        if late
        else " No exam was entered or changed after a reference result of its «noun» was known."
    )
    return (
        f"Analysis of a registry of routine physical examinations{span}. {planned}{known if paper.condition else ''} "
        f"Institutions, location and calendar dates: {TO_COMPLETE}."
    )


def _when_locked(paper: Paper) -> str:
    if paper.found.lock_status.asked_before:
        return "the protocol was locked after the same question had been asked of them (page one)"
    return "the protocol was locked before this analysis"


def _span(periods: list[str]) -> str:
    """From the first reporting period to the last, counted where the registry numbers them."""
    if not periods:
        return ""
    first, last = periods[0], periods[-1]
    if first.startswith("P"):
        number = int(last.removeprefix("P")) - int(first.removeprefix("P")) + 1
        return f" over {counted(number, 'reporting period')} ({first} to {last})"
    return f", {first} to {last}"


def is_retrospective(paper: Paper) -> bool:
    """Whether every record was there when the study was planned."""
    locked = paper.found.lock_status.locked
    return not locked or locked[0].records == paper.results.provenance.registry


def participants(paper: Paper) -> str:
    """Who was eligible, what is left out, and which exam of an episode counts."""
    filters = [filter_words(one, paper) for one in paper.study.selection.population]
    asked = (
        f"Eligible was every exam in the registry with {'; '.join(filters)}."
        if filters
        else "No criterion was set beyond those that follow."
    )
    eligibility = paper.study.protocol.eligibility
    bars = [words for name, words in _BARS if getattr(eligibility, name)]
    first = (
        "Of the rest, the first exam of each episode of «a noun» is its index exam, whatever it found"
        if paper.condition
        else "Any two exams of one episode of «a noun» by different examiners make a pair"
    )
    return (
        f"{asked} Patients came to the registry because a «noun» was examined for a complaint, whatever the exam "
        f"found (referral and recruitment: {TO_COMPLETE}). "
        f"{_excluded(bars)}{first}. The series is consecutive as far as every exam was recorded: "
        f"{TO_COMPLETE}."
    )


def _excluded(parts: list[str]) -> str:
    return f"We excluded {listed(parts)}. " if parts else ""


def filter_words(one: Filter, paper: Paper) -> str:
    """A filter of the population in words, without a code."""
    field = paper.study.base.tables[one.table].field(one.column)
    unit = f" {field.unit}" if field.unit else ""
    values = [_value(value, one, paper) + (unit if isinstance(value, int | float) else "") for value in one.values]
    name = inside_sentence(field.title or one.column.replace("_", " "))
    if one.of:
        name = f"{name} of {_of(one.of, paper)}"
    match one.comparison:
        case "recorded":
            said = f"{name} recorded"
        case "not_recorded":
            said = f"{name} not recorded"
        case "between":
            said = f"{name} from {values[0]} to {values[1]}"
        case "not_equals" | "not_one_of":
            said = f"{name}: other than {listed(values, 'or')}"
        case "equals" | "one_of":
            said = f"{name}: {listed(values, 'or')}"
        case _:
            said = f"{name} {_COMPARED[one.comparison]} {values[0]}"
    return for_markdown(f"{said} (or not recorded)" if one.keeps_blank else said)


def _value(value: object, one: Filter, paper: Paper) -> str:
    if not isinstance(value, str):
        return f"{value:g}" if isinstance(value, int | float) else str(value)
    labels = paper.study.base.tables[one.table].field(one.column).labels
    return labels.get(value) or _of(value, paper)


def _of(code: str, paper: Paper) -> str:
    """A code of the catalogue or of a record in words."""
    known = paper.study.base.catalogue
    for section in (known.conditions, known.maneuvers):
        if code in section:
            return inside_sentence(section[code].name)
    return paper.modality_name(code) if code in known.modalities else code.replace("_", " ")


def index_tests(paper: Paper) -> str:
    """Each index test: when it is positive, and how its maneuvers are done by the catalogue."""
    tests = [test for test in paper.study.selection.tests if test.code in paper.used_tests()]
    lines = [f"- *{paper.test_name(test.code)}*: positive where {rule_words(test.rule, paper)}." for test in tests]
    done = dict.fromkeys(leaf.maneuver for test in tests for leaf in leaves(test.rule))
    technique = "\n\n".join(_technique(code, paper) for code in done)
    equivocal = {
        "excluded": "left out of the table and counted",
        "positive": "counted as positive",
        "negative": "counted as negative",
    }[paper.study.protocol.equivocal]
    said = for_markdown(paper.study.between_tests).rstrip(".")
    between = f"{said}." if said else f"How the index tests were kept apart: {TO_COMPLETE}."
    tail = f" {between}" if len(tests) > 1 else ""
    stands = paper.found.lock_status
    fixed = "before this analysis" if stands.prespecified else "without a lock"
    fixed += ", but the same question had been asked before (page one)" if stands.asked_before else ""
    return "\n".join(
        [
            *lines,
            "",
            f"These rules were written {fixed}. Equivocal findings were {equivocal}.{tail}",
            "",
            "The registry's catalogue describes the maneuvers as follows; whether examiners were trained in them: "
            f"{TO_COMPLETE}.",
            "",
            technique,
        ]
    )


def _technique(code: str, paper: Paper) -> str:
    one = paper.catalogue.maneuvers[code]
    return f"*{one.name}.* {for_markdown(one.technique)} Positive: {for_markdown(inside_sentence(one.positive))}"


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
        return f"the {name} is recorded as positive"
    unit = paper.catalogue.maneuvers[leaf.maneuver].unit or ""
    numbers = (
        ("a grade of at least", leaf.grade_at_least, ""),
        ("a measured value of at least", leaf.measure_at_least, unit),
        ("a measured value of at most", leaf.measure_at_most, unit),
    )
    parts += [f"{words} {value:g} {of}".strip() for words, value, of in numbers if value is not None]
    if leaf.pain:
        parts.append("reproduction of the patient's pain" if leaf.pain == "yes" else "no reproduction of the pain")
    return f"the {name} has {listed(parts)}"


def recorded_positive(maneuver: str) -> Leaf:
    """The rule that a maneuver is positive as it was recorded."""
    return Leaf(maneuver, ("positive",), None, None, None, None, None, None)


def reference(paper: Paper) -> str:
    """The reference standard, its window, what an undecided one counts as, and why it was chosen."""
    if paper.condition is None:
        return "Agreement alone is studied: there is no target condition and no reference standard."
    target, protocol = paper.study.selection.target, paper.study.protocol
    code = paper.condition.code
    accepted = [paper.modality_name(one) for one in protocol.reference.accepted[code]]
    first, last = protocol.windows[code]
    severity = ""
    if target and target.severity:
        names = {one.code: one.label for one in paper.condition.severity}
        others = "counted as absent" if target.other_severity == "absent" else "left out and counted"
        counted_in = listed([names.get(one, one) for one in target.severity], "or")
        severity = f" In this study only {counted_in} counts as present; other degrees were {others}."
    undecided = {"excluded": "left out and counted"}.get(
        paper.study.selection.indeterminate, f"counted as {paper.study.selection.indeterminate}"
    )
    order = ", the first named deciding where several did" if len(accepted) > 1 else ""
    return (
        f"The target condition was {paper.condition_name}. {capital(inside_sentence(paper.condition.name))} means: "
        f"{for_markdown(inside_sentence(paper.condition.present_means))}{severity} It was "
        f"settled by {listed(accepted, 'or')}{order}, from day {first} to day {last} after the exam. Undecided "
        "references "
        f"were {undecided}; a condition that no reference mentions is unknown, never absent. {_rationale(paper)}"
    )


def _rationale(paper: Paper) -> str:
    """Why this standard: what is taken as true, what erring is published, and that not everybody has surgery."""
    assert paper.condition is not None
    accepted = paper.study.protocol.reference.accepted[paper.condition.code]
    true = [paper.modality_name(one) for one in accepted if one in paper.condition.taken_as_true]
    erring = [one for one in accepted if one not in paper.condition.taken_as_true]
    said = []
    if true:
        said.append(f"{capital(listed(true))} show the lesion itself and were taken as true; most «nouns» have none.")
    for modality in erring:
        known = next((one for one in paper.condition.reference_accuracy if one.modality == modality), None)
        name = paper.modality_name(modality)
        if known is None:
            said.append(f"The accuracy of {name} for this condition is not published.")
            continue
        sensitivity, specificity = (
            f"{percent(value)} ({percent_range(low, high)})" if low is not None else percent(value)
            for value, low, high in (
                (known.sensitivity, known.sensitivity_low, known.sensitivity_high),
                (known.specificity, known.specificity_low, known.specificity_high),
            )
        )
        said.append(
            f"{capital(name)} is imperfect: published sensitivity {sensitivity}, specificity {specificity} "
            f"[{for_markdown(known.source)}]."
        )
    return " ".join([*said, f"Protocols and equipment of imaging: {TO_COMPLETE}."])


def blinding(paper: Paper) -> str:
    """Who may have known what, and what the records say of it."""
    known = paper.study.protocol.eligibility.exclude_reference_known
    examiner = (
        "Examiners knew the history. Exams whose examiner is recorded to have known a reference result were left out."
        if known
        else "Examiners knew the history. Exams were used whether or not the examiner knew a reference result."
    )
    if paper.condition is None:
        return f"{examiner} Pairs whose second examiner is recorded to have known the other exam were left out."
    reader = (
        "Only readings whose reader is recorded not to have known the exam were used."
        if paper.study.protocol.reference.blinded_readers_only
        else "Readings were used whether or not the reader knew the exam."
    )
    examined, read = _knew(paper, "examiner_knew"), _knew(paper, "reader_knew")
    counted_words = []
    if examined["all"]:
        counted_words.append(
            f"The examiner did not know a result in {share_of(examined['no'], examined['all'])} exams"
            + (f", did in {count(examined['yes'])}" if examined["yes"] else "")
            + f"; not recorded in {count(examined['unknown'])}."
        )
    if read["all"]:
        counted_words.append(
            f"The reader knew the exam in {share_of(read['yes'], read['all'])} readings, did not in "
            f"{count(read['no'])}; "
            f"not recorded in {count(read['unknown'])}."
        )
    rest = f"What else of the patient readers knew: {TO_COMPLETE}."
    return " ".join([examiner, reader, *counted_words, rest])


def _knew(paper: Paper, item: str) -> dict[str, int]:
    found = {"yes": 0, "no": 0, "unknown": 0} | {line["group"]: line["knees"] for line in paper.described(item)}
    return found | {"all": sum(found.values())}


def sample_size(paper: Paper) -> str:
    """What the study was planned for, with its source."""
    plan = paper.study.planned_size
    if plan.aim is None and plan.knees is None:
        return "No size was planned."
    parts = list(_aim(paper))
    asked = [line for line in paper.rows("study_size", quantity="in_analysis") if line["planned"] is not None]
    if asked:
        told = [f"{count(int(line['planned']))} {whose(paper, line)}" for line in asked]
        parts.append(f"This asks for {listed(told)}.")
    elif paper.rows("study_size", quantity="in_analysis"):
        parts.append(
            "With the examiners there are, no number of «nouns» reaches this power: the size is that of the registry, "
            "and the study describes."
        )
    if plan.knees is not None:
        parts.append(f"{counted(plan.knees, '«noun»')} were planned for.")
    return " ".join(parts)


def _aim(paper: Paper) -> Iterator[str]:
    plan, numbers = paper.study.planned_size, paper.study.planned_size.numbers
    if plan.aim is None:
        return
    measures = ("sensitivity", "specificity") if plan.measure == "both" or plan.aim == "half_width" else (plan.measure,)
    expected = [f"{measure_name(one)} of {percent(numbers[one])}" for one in measures if one in numbers]
    if "kappa" in numbers:
        expected = [f"a kappa of {numbers['kappa']:.2f}"]
    named = listed([measure_name(one) for one in measures])
    wanted = {
        "half_width": f"to estimate {named} with intervals of half-width {percent(numbers.get('half_width'))}",
        "lower_limit": f"to show by its lower limit that {named} exceeds {percent(numbers.get('lower_limit'))}",
        "paired": f"to find a difference in {named} of {percent(numbers.get('difference'))} between the two tests",
        "unpaired": f"to find a difference in {named} of {percent(numbers.get('difference'))} between the two groups",
        "kappa_half_width": f"to estimate kappa with an interval of half-width {numbers.get('half_width', 0):.2f}",
    }.get(plan.aim, f"for {plan.aim.replace('_', ' ')}")
    power = f", power {percent(plan.power)}" if plan.aim in ("lower_limit", "paired", "unpaired") else ""
    clusters = any(one.kind == "by_group" for one in paper.study.primary) and plan.aim == "unpaired"
    also = "; examiners count as clusters where they make the groups [@hemming2011]" if clusters else ""
    yield (
        f"The study was planned {wanted}, expecting {listed(expected)} (two-sided alpha {paper.study.alpha:g}{power}) "
        f"{_SOURCES.get(plan.aim, '')}{also}."
    )
