"""The parts between the tables: abstract, introduction, discussion, what is left to the author."""

from __future__ import annotations

from examtally.reporting.engine.numbers import listed
from examtally.reporting.manuscript import contrasts, findings
from examtally.reporting.manuscript.flow import flow_of, flow_words
from examtally.reporting.manuscript.pairs import pairs_of, pairs_words
from examtally.reporting.manuscript.paper import TO_COMPLETE, Paper
from examtally.studies.bundling import lacking, released
from examtally.words import for_markdown


def abstract(paper: Paper) -> str:
    """A structured abstract with the primary figures."""
    tests = listed([paper.test_name(test) for test in paper.used_tests()])
    against = f" against a reference standard for {paper.condition_name}" if paper.condition else ""
    return "\n\n".join(
        [
            f"**Question.** {for_markdown(paper.study.question) or TO_COMPLETE}",
            f"**Methods.** Registry of physical examinations; index tests: {tests}{against}.",
            f"**Results.** {_main(paper) or TO_COMPLETE}",
            f"**Conclusions.** {TO_COMPLETE}",
        ]
    )


def introduction(paper: Paper) -> str:
    """The question and the hypotheses; the rest is the author's."""
    lines = [f"- {for_markdown(one)}" for one in paper.study.hypotheses]
    heading = "Hypotheses:" if lines else f"Hypotheses: {TO_COMPLETE}"
    return "\n".join(
        [
            f"Background and the place of the index tests: {TO_COMPLETE}",
            "",
            for_markdown(paper.study.question),
            "",
            heading,
            "",
            *lines,
        ]
    )


def flow(paper: Paper) -> str:
    """The flow in words, one paragraph a test."""
    if paper.condition is None:
        return pairs_words(pairs_of(paper), paper)
    return "\n\n".join(flow_words(flow_of(paper, test), paper) for test in paper.used_tests())


def estimates(paper: Paper) -> str:
    """The figures of the primary analyses, then of the secondary ones."""
    said = [
        words(paper, role)
        for role in ("primary", "secondary")
        for words in (findings.estimate_words, findings.agreement_words)
    ]
    return "\n\n".join(part for part in said if part)


def missing(paper: Paper) -> str:
    """How many findings have no usable reference."""
    if paper.condition is None:
        return "Equivocal and missing findings make no pair."
    lines = [
        f"Of {line['exams']} {line['result']} findings of {paper.test_name(line['maneuver'])}, {line['verified']} have "
        "a usable reference."
        for line in paper.rows("verification")
        if line["maneuver"] in paper.used_tests()
    ]
    return " ".join(lines) or "«Nouns» without a reference were left out and counted in the flow."


def harms(paper: Paper) -> str:
    """What the protocol says of harms."""
    return for_markdown(paper.study.harms) or f"Harms of the index tests and of the reference: {TO_COMPLETE}"


def discussion(paper: Paper) -> str:
    """Prompts, and the limits that the records show by themselves."""
    limits = (
        ["The registry was filled in routine care; who is imaged is not left to chance."] if paper.condition else []
    )
    if not paper.found.lock_status.prespecified:
        limits.append("No analysis was pre-specified; its figures raise questions and do not settle them.")
    if paper.found.lock_status.deviations:
        limits.append("The analysis departs from the locked protocol as listed above.")
    if len(paper.used_tests()) > 1:
        limits.append("Index tests done by the same hands are not blind to each other.")
    return "\n\n".join(
        [
            f"Main findings: {TO_COMPLETE}",
            "Limits that the records show: " + " ".join(limits or ["none of those that are looked for."]),
            f"Other limits, comparison with the literature, meaning for practice: {TO_COMPLETE}",
        ]
    )


def other(paper: Paper) -> str:
    """Registration, protocol, data, funding."""
    locked = paper.found.lock_status.locked
    protocol = f"sha256 of the locked protocol {locked[0].sha256[:16]}…" if locked else "the protocol was not locked"
    lacks = "".join(f"{sentence} " for sentence in lacking(paper.found, released(paper.found)))
    return "\n".join(
        [
            f"- Registration: {TO_COMPLETE}",
            f"- Protocol: {protocol}. Where it can be read: {TO_COMPLETE}",
            "- Data and code: released aggregates, protocol, lock and a script that repeats the numbers stand in the "
            f"bundle of this study. {lacks}Where it lies: {TO_COMPLETE}",
            f"- Funding and the part of the funders; conflicts of interest; contributions: {TO_COMPLETE}",
        ]
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
        "The domains of QUADAS-2 [@whiting2011] with what the records can say. The judgement is a reader's and cannot "
        "be computed."
    )


def _main(paper: Paper) -> str:
    parts = [findings.estimate_words(paper, "primary"), contrasts.comparison_words(paper)]
    if paper.condition is None:
        parts = [findings.agreement_words(paper, "primary")]
    elif any(one.kind == "by_group" for one in paper.study.primary):
        parts.append(contrasts.interaction_words(paper))
    return " ".join(part for part in parts if part)
