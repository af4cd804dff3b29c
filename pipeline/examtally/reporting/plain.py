"""Plain words of every report: markings, how to read a ratio, how the figures were made, how to handle a knee."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.suspicion import BEFORE, after
from examtally.reporting.audit.verification import ASSUMED, CORRECTED, UNCORRECTED
from examtally.reporting.engine.aims import told
from examtally.reporting.engine.numbers import listed, percent
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import said
from examtally.words import for_markdown

EXAMPLE = 5.0
_LADDER = (10.0, EXAMPLE, 2.0, 1.0, 0.5, 0.2, 0.1)
_SUSPICIONS = (0.1, BEFORE, 0.5, 0.7)


def box(text: str, kind: str) -> str:
    """A callout: a caution, or the marking of an internal report."""
    name = ".callout-caution" if kind == "caution" else f".callout-note .{kind}"
    return f"\n::: {{{name}}}\n{text}\n:::\n"


def bullets(title: str, sentences: Sequence[str]) -> str:
    """A bold line and its sentences as a list; nothing where there are none."""
    if not sentences:
        return ""
    return "\n".join([f"**{title}**", "", *(f"- {sentence}" for sentence in sentences), ""])


def show(*parts: str) -> None:
    """Print the parts of a report one below the other, in the words of its joint, empty ones left out."""
    print(said("\n\n".join(part.strip("\n") for part in parts if part)), end="\n\n")


def section(title: str, *parts: str) -> str:
    """A section of a page; nothing where none of its parts has anything to say."""
    told = [part for part in parts if part]
    return "\n\n".join([f"## {title}", *told]) if told else ""


def joint() -> str:
    """The joint of the page, which both renderers set in front of its title."""
    return "::: joint\n«Noun»\n:::"


def title(words: str) -> str:
    """The title of a page in place of that in its front matter."""
    return f"::: page-title\n{for_markdown(words)}\n:::"


def noun() -> str:
    """One joint of the page's kind, for its prose: a knee."""
    return said("«noun»")


def a_noun() -> str:
    """One with its article: a knee."""
    return said("«a noun»")


def nouns() -> str:
    """Several of them."""
    return said("«nouns»")


def verified_only() -> str:
    """What a figure of verified knees only stands for."""
    return told(["none"])


def first_rule_out(audit: Audit) -> str:
    """What comes first, boxed: a line each paragraph of the catalogue's caution, then how figures are used."""
    *flags, use = audit.catalogue.card_caution.split("\n")
    listed = [f"- {flag}" for flag in flags]
    return box("\n".join(["**First rule out**", "", *listed, "", use] if flags else [use]), "caution") if use else ""


def tag(audit: Audit) -> str:
    """The short marking at the head of an internal report; the whole one stands under the summary."""
    return f"::: tag\n{audit.wording.group}. {audit.wording.tag}\n:::"


def marking(audit: Audit) -> str:
    """What an internal report is marked with."""
    return box(f"**{audit.wording.tag}** {audit.wording.internal}", "marking")


def imaged(audit: Audit) -> str:
    """Which way the figures err and whether that is corrected; nothing where there are none."""
    if not audit.reportable:
        return ""
    return box(f"{CORRECTED} {ASSUMED}" if audit.is_corrected else UNCORRECTED, "caution")


def ratios() -> str:
    """What a likelihood ratio does to a suspicion, reckoned."""
    rows = [
        {"ratio": f"{step:g}"} | {percent(before): percent(after(step, before)) for before in _SUSPICIONS}
        for step in _LADDER
    ]
    columns = (
        Column("ratio", "Likelihood ratio"),
        *(Column(percent(before), percent(before), "A suspicion before the finding of") for before in _SUSPICIONS),
    )
    knees = round(100 * after(EXAMPLE))
    sentence = (
        f"A likelihood ratio of {EXAMPLE:.0f} turns a suspicion of {percent(BEFORE)} into {percent(after(EXAMPLE))}: "
        f"of 100 such «nouns» with that finding, about {knees} have the condition and {100 - knees} do not. A ratio of "
        f"{1 / EXAMPLE:g} turns the same suspicion into {percent(after(1 / EXAMPLE))}."
    )
    return f"{sentence}\n{table(pl.DataFrame(rows), columns, caption='What a finding makes of a suspicion')}"


def methods(audit: Audit) -> str:
    """How the figures were made, as a list."""
    protocol = audit.protocol
    level, fewest = percent(protocol.intervals.level), audit.min_participants
    bars = [
        words
        for is_barred, words in (
            (protocol.eligibility.exclude_comparison_knees, "comparison «nouns»"),
            (bool(protocol.eligibility.exclude_settings), "exams in the operating room"),
            (protocol.eligibility.exclude_prior_surgery, "«nouns» operated on before"),
            (protocol.eligibility.exclude_reference_known, "exams by someone who knew the result"),
            (protocol.eligibility.exclude_after_surgery, "exams after surgery"),
            (protocol.eligibility.exclude_after_reference, "exams after the result was read"),
        )
        if is_barred
    ]
    lines = [
        f"Left out: {listed(bars)}. Of the rest the first exam of each complaint counts, whatever it found.",
        "A result counts if it falls within the days allowed after the exam for that condition. Exams whose time has "
        "not run out yet are counted separately, imaged or not.",
        "A condition that no result mentions is unknown, never absent.",
        f"Intervals are {level}. People with two «nouns» or several complaints make figures less certain than as many "
        "strangers would; the intervals allow for it.",
        "They speak of these examiners on people like these; figures by role speak of examiners like these.",
        f"Under {fewest} people in a denominator a report shows the counts and no estimate; a likelihood ratio needs "
        f"{fewest} with the condition and {fewest} without.",
        "Published ranges come from other clinics, other rules and another spectrum of patients: usual, not right.",
        f"This analysis is {protocol.analysis_status}.",
    ]
    return "\n".join(f"- {line}" for line in lines)


def cautions(audit: Audit) -> str:
    """The caution of the place, boxed."""
    return box(audit.wording.caution, "caution")


def handling(audit: Audit) -> str:
    """Every caution of the catalogue once, with the maneuvers it belongs to."""
    owners: dict[str, list[str]] = {}
    for maneuver in audit.catalogue.maneuvers.values():
        for caution in maneuver.cautions:
            owners.setdefault(caution, []).append(maneuver.name)
    shared = [(caution, names) for caution, names in owners.items() if len(names) > 1]
    return "\n".join(f"- {caution} *({'; '.join(names)})*" for caution, names in shared)


_COLUMNS = (Column("what", "What"), Column("which", "Which", words=True))


def provenance(audit: Audit) -> str:
    """A table with what it takes to make the same figures again."""
    made = audit.results.provenance
    rows = {
        "Fingerprint of the registry": made.registry,
        "Fingerprint of the protocol": made.protocol_hash,
        "Status of the analysis": audit.protocol.analysis_status,
        "Seed of resampling": str(made.seed),
    } | dict(made.versions)
    frame = pl.DataFrame({"what": list(rows), "which": list(rows.values())})
    return table(frame, _COLUMNS, caption="The same registry, protocol and versions give the same figures")
