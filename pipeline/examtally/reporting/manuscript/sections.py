"""The parts between abstract and tables: introduction, flow, verification, discussion, what is left to the author."""

from __future__ import annotations

from examtally.reporting.manuscript import arms, diagram, findings, participants
from examtally.reporting.manuscript.abstract import prevalence
from examtally.reporting.manuscript.flow import flow_of, flow_words
from examtally.reporting.manuscript.joint import joint_words, joints_of
from examtally.reporting.manuscript.limits import LABEL as LABEL_SIZE
from examtally.reporting.manuscript.limits import cannot_show, planned_and_reached
from examtally.reporting.manuscript.outcomes import referring
from examtally.reporting.manuscript.pairs import pairs_of, pairs_words
from examtally.reporting.manuscript.paper import TO_COMPLETE, Paper
from examtally.reporting.manuscript.statistics import software
from examtally.studies.bundling import lacking, released
from examtally.words import for_markdown


def introduction(paper: Paper) -> str:
    """Background and intended use as the protocol has them, the objective, the hypotheses."""
    background = for_markdown(paper.study.background) or f"Background: {TO_COMPLETE}"
    use = for_markdown(paper.study.intended_use) or f"What the index test is meant for in practice: {TO_COMPLETE}"
    hypotheses = [f"- {for_markdown(one)}" for one in paper.study.hypotheses] or [f"- {TO_COMPLETE}"]
    asked = for_markdown(paper.study.question) or TO_COMPLETE
    return "\n".join([background, "", use, "", f"We asked: {asked}", "", "Hypotheses:", "", *hypotheses])


def flow(paper: Paper) -> str:
    """The flow in words and as a diagram, who was studied, and how the truth was known."""
    drawn, people = diagram.diagrams(paper), participants.participants(paper)
    refer = [*_figures(drawn), *([participants.LABEL] if people else [])]
    size = planned_and_reached(paper)
    planned = f"Planned and reached size stand in @{LABEL_SIZE}." if size else ""
    words = f"{referring(_flow_words(paper), refer)} {prevalence(paper)} {planned}"
    return "\n\n".join(part for part in (words.strip(), drawn, people, participants.course(paper), size) if part)


def _flow_words(paper: Paper) -> str:
    if paper.condition is None:
        return pairs_words(pairs_of(paper), paper)
    joints = joints_of(paper)
    shown = {test for joint in joints for test in (joint.test_a, joint.test_b)}
    told = [joint_words(joint) for joint in joints]
    told += [flow_words(flow_of(paper, test), paper) for test in paper.used_tests() if test not in shown]
    return " ".join(told)


def _figures(drawn: str) -> list[str]:
    """The labels of the diagrams."""
    return [line.split("{#", 1)[1].split(" ", 1)[0] for line in drawn.splitlines() if "{#fig-" in line]


def verification(paper: Paper) -> str:
    """Who was verified by what was found, what else could have been chosen, and what nobody knows."""
    by_group, other, bounds = arms.verification(paper), findings.scenarios(paper), findings.bounds(paper)
    labels = ((arms.LABEL, by_group), (findings.LABEL_SCENARIOS, other), (findings.LABEL_BOUNDS, bounds))
    words = referring(findings.missing(paper), [label for label, part in labels if part])
    beside = findings.bounds_words(paper) if bounds else ""
    return "\n\n".join(part for part in (words, by_group, other, beside, bounds) if part)


def harms(paper: Paper) -> str:
    """What the protocol says of harms."""
    return for_markdown(paper.study.harms) or f"Harms of the index tests and of the reference: {TO_COMPLETE}"


def discussion(paper: Paper) -> str:
    """The main result again, what the study cannot show, and what is the author's."""
    return "\n\n".join(
        part
        for part in (
            f"Main finding and what it means: {TO_COMPLETE}",
            f"**What this study cannot show.** {cannot_show(paper)}" if cannot_show(paper) else "",
            "Comparison with the literature, other limits, and what follows for practice and for the place of "
            "the index "
            f"test: {TO_COMPLETE}",
        )
        if part
    )


def other(paper: Paper) -> str:
    """Registration, protocol, data and code, support."""
    locked = paper.found.lock_status.locked
    protocol = f"sha256 of the locked protocol {locked[0].sha256[:16]}…" if locked else "the protocol was not locked"
    governance = paper.study.governance
    registration = for_markdown(governance.registration or "") or TO_COMPLETE
    funding = for_markdown(governance.funding or "") or TO_COMPLETE
    return "\n".join(
        [
            f"- Registration: {registration}",
            f"- Protocol: {protocol}; it goes with the bundle. Where it can be read: {TO_COMPLETE}",
            f"- Data and code: {bundle_words(paper)} Where it lies: {TO_COMPLETE}",
            f"- Software: {software(paper)}",
            f"- Funding, other support and the part of the funders: {funding}",
            f"- Contributions and conflicts of interest: {TO_COMPLETE}",
        ]
    )


def bundle_words(paper: Paper) -> str:
    """What the bundle of this study carries, and what of the primary result it does not and why."""
    lacks = lacking(paper.found, released(paper.found))
    lock = ", lock" if paper.found.lock_status.locked else ""
    holds = "The primary result is in it in released form." if not lacks else " ".join(lacks)
    return (
        f"released aggregates, protocol{lock} and a script that repeats the numbers stand in the bundle of this study. "
        f"{for_markdown(holds)}"
    )


def about_checklist() -> str:
    """What the checklist is."""
    return (
        "The items of STARD 2015 [@bossuyt2015], shortened in our own words: read the publication before you submit. "
        "*Where* names the part of this manuscript; what is the author's is said so."
    )


def about_domains() -> str:
    """What the domains are."""
    return (
        "The domains of QUADAS-2 [@whiting2011] with what the records can say. The judgment is a reader's and cannot "
        "be computed."
    )
