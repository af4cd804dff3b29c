"""The structured abstract: the question, who and where, the tests, the primary result first, what limits it."""

from __future__ import annotations

from examtally.reporting.engine.numbers import count, counted, listed, percent, share_of
from examtally.reporting.manuscript.arms import group_flows
from examtally.reporting.manuscript.contrasts import is_verified_only
from examtally.reporting.manuscript.limits import is_infeasible, whose
from examtally.reporting.manuscript.methods import is_retrospective
from examtally.reporting.manuscript.outcomes import primary_words
from examtally.reporting.manuscript.pairs import pairs_of
from examtally.reporting.manuscript.paper import TO_COMPLETE, Paper
from examtally.reporting.manuscript.statistics import analysis_words, fixed_words
from examtally.reporting.manuscript.values import UNCORRECTED, capital
from examtally.studies.lock_status import PRESPECIFIED
from examtally.words import for_markdown

_MOST_PLACES = 3


def abstract(paper: Paper) -> str:
    """Objective to conclusions; only the conclusions are left to the author."""
    parts = [
        ("Objective", for_markdown(paper.study.question) or TO_COMPLETE),
        ("Design, setting and participants", people(paper)),
        ("Tests", _tests(paper)),
        ("Main outcome", _outcome(paper)),
        ("Results", " ".join(part for part in (primary_words(paper), prevalence(paper)) if part)),
        ("Limitations", _limits(paper)),
        ("Conclusions", TO_COMPLETE),
    ]
    return "\n\n".join(f"**{head}.** {text}" for head, text in parts if text)


def people(paper: Paper) -> str:
    """How many people, «nouns» and examiners, and where."""
    start = f"{_design(paper)} of a registry of routine exams."
    if paper.condition is None:
        first = paper.study.primary[0]
        told = [one for one in pairs_of(paper).compared if one.test == first.tests[0]][:1]
        said = [
            f"{counted(one.pairs, 'pair')} of exams of {counted(one.participants, 'person', 'people')}" for one in told
        ]
        return " ".join([start, *(f"{one}." for one in said)])
    participants = next(iter(paper.described("participants")), None)
    examiners = next(iter(paper.described("examiners")), None)
    if participants is None or examiners is None:
        return start
    who = (
        f"{counted(participants['knees'], '«noun»')} of {counted(int(participants['value']), 'person', 'people')}"
        f"{_examined_with(paper)}, examined by {counted(int(examiners['value']), 'examiner')}"
    )
    return f"{start} {who}{_places(paper)}."


def _examined_with(paper: Paper) -> str:
    """Which «nouns» those are, where several tests were done and not all in each."""
    return " in which at least one of the tests was done" if len(paper.used_tests()) > 1 else ""


def _design(paper: Paper) -> str:
    """The design in two words: what is compared, and when it was planned."""
    when = "Retrospective" if is_retrospective(paper) else "Partly prospective"
    kind = paper.study.primary[0].kind
    what = {
        "paired": "paired comparison of diagnostic accuracy",
        "by_group": "comparison of diagnostic accuracy between groups",
        "agreement": "study of agreement between examiners",
        "change": "comparison of diagnostic accuracy before and after an intervention",
    }.get(kind, "study of diagnostic accuracy")
    return f"{when} {what}; analysis"


def _places(paper: Paper) -> str:
    known = paper.rows("study_participants", group_by="setting")
    whole = sum(line["knees"] for line in known)
    lines = [line for line in known if line["group"] != "unknown" and line["knees"]]
    if not lines:
        return ""
    lines.sort(key=lambda line: -line["knees"])
    told = [f"{paper.group_name(line['group'])} {percent(line['knees'] / whole)}" for line in lines[:_MOST_PLACES]]
    return f" ({', '.join(told)})"


def _tests(paper: Paper) -> str:
    tests = listed([f"{paper.the_test(test)}" for test in paper.used_tests()])
    if paper.condition is None:
        return f"{capital(tests)}."
    settled = [f"{paper.modality_name(line['group'])} ({line['knees']})" for line in paper.described("settled_by")]
    against = f", {listed(settled)}" if settled else ""
    _, last = paper.study.protocol.windows[paper.condition.code]
    return f"{capital(tests)}; reference standard for {paper.condition_name}{against}, within {last} days."


def _outcome(paper: Paper) -> str:
    words = "; ".join(capital(analysis_words(one, paper)) for one in paper.study.primary)
    stands = paper.found.lock_status
    fixed = all(stands.status(one.name) == PRESPECIFIED for one in paper.study.primary)
    known = (
        "pre-specified, but the same question was asked before (page one)" if stands.asked_before else "pre-specified"
    )
    return f"{words}, {known if fixed else 'not pre-specified'}."


def prevalence(paper: Paper) -> str:
    """How common the condition was among the verified, and by the model among all."""
    one = next(iter(paper.described("participants")), None)
    if one is None or paper.condition is None:
        return ""
    verified = one["present"] + one["absent"]
    name = capital(paper.condition_name)
    said = f"{name} was present in {share_of(one['present'], verified)} verified «nouns»"
    model = next(iter(paper.rows("bias_models", condition=paper.condition.code)), None)
    if model is not None and model["prevalence"] is not None and paper.study.main == "bias_adjusted":
        said += f"; the estimated prevalence among all eligible was {percent(model['prevalence'])}"
    return f"{said}."


def _limits(paper: Paper) -> str:
    told = []
    one = next(iter(paper.described("participants")), None)
    if one is not None and one["knees"]:
        told.append(f"{share_of(one['present'] + one['absent'], one['knees'])} «nouns» were verified.")
    if is_verified_only(paper) and paper.study.main != UNCORRECTED:
        told.append("The primary figures are of verified «nouns» only and open to verification bias.")
    _, _, groups = group_flows(paper)
    if any(group.examiners is not None and group.examiners < 5 for group in groups):
        behind = listed([f"{group.examiners} {paper.group_name(group.group)}" for group in groups])
        told.append(f"Few examiners stand behind the groups ({behind}): the comparison is descriptive only.")
    if is_infeasible(paper):
        told.append("No number of «nouns» reaches the planned power with so few examiners.")
    for line in paper.rows("study_size", quantity="in_analysis")[:1]:
        if line["planned"] is not None and line["reached"] is not None and line["reached"] < line["planned"]:
            told.append(
                f"The primary analysis has {count(int(line['reached']))} of the {count(int(line['planned']))} "
                f"{whose(paper, line)} that were planned."
            )
    if paper.is_mixed:
        told.append(fixed_words(paper))
    return " ".join(told)
