"""The declared results in the order of their weight: primary, secondary, subgroups; text, figure and tables of each."""

from __future__ import annotations

from collections.abc import Sequence

from examtally.contracts.study.parts import StudyAnalysis
from examtally.reporting.manuscript import arms, before_after, contrasts, examiner_groups, findings, forest
from examtally.reporting.manuscript.joint import LABEL as LABEL_JOINT
from examtally.reporting.manuscript.joint import cross_tabulation
from examtally.reporting.manuscript.paper import Paper


def primary_words(paper: Paper) -> str:
    """The primary result in sentences, what was asked first."""
    return _of_role(paper, "primary")


def _of_role(paper: Paper, role: str) -> str:
    analyses = paper.study.primary if role == "primary" else paper.study.secondary
    said = [_contrast(one, paper) for one in analyses]
    if any(one.kind == "agreement" for one in analyses):
        said.append(findings.agreement_words(paper, role))
    if any(one.kind == "accuracy" for one in analyses):
        said.append(findings.estimate_words(paper, role))
    return " ".join(dict.fromkeys(part for part in said if part))


def _contrast(one: StudyAnalysis, paper: Paper) -> str:
    if one.kind == "paired":
        return contrasts.comparison_words(paper, one.measures)
    if one.kind == "by_group":
        said = contrasts.interaction_words(paper, one.measures, [str(one.group_by)])
        return f"{said} {examiner_groups.case_mix_words(paper, one.measures)}".strip()
    if one.kind == "change":
        return before_after.change_words(paper, one.name)
    return ""


def referring(words: str, labels: Sequence[str]) -> str:
    """Sentences that refer, before their last stop, to the tables and figures that show it.

    >>> referring("It was seen.", ["tbl-one", "fig-two"])
    'It was seen (@tbl-one, @fig-two).'
    """
    return f"{words.rstrip('.')} ({', '.join(f'@{label}' for label in labels)})." if labels else words


def primary(paper: Paper) -> str:
    """The primary result: sentences, the figure, the cross tabulation behind it and its table."""
    where = [
        (forest.DIFFERENCE, figure := forest.differences(paper) if paper.condition else ""),
        (LABEL_JOINT, joint := cross_tabulation(paper)),
        (findings.LABEL_CROSSED, crossed := findings.cross_tabulations(paper)),
    ]
    tables = [
        *((contrasts.LABEL_TESTS, contrasts.comparisons(paper)),),
        *((contrasts.LABEL_GROUPS, contrasts.interactions(paper) if _is_of_groups(paper) else ""),),
        *((examiner_groups.LABEL_WAYS, examiner_groups.ways(paper)),),
        *((examiner_groups.LABEL_CASE_MIX, examiner_groups.case_mix(paper)),),
        *((findings.LABEL_AGREEMENT, findings.agreement(paper)),),
        *((before_after.LABEL, before_after.changes(paper)),),
    ]
    shown = [label for label, part in (*where, *tables) if part]
    words = primary_words(paper) or "The primary analysis has no figure that can be shown."
    behind = " ".join(part for part in (contrasts.behind_words(paper), arms.others_words(paper)) if part)
    return "\n\n".join(
        part
        for part in (referring(words, shown), behind, figure, joint, crossed, *(part for _, part in tables))
        if part
    )


def _is_of_groups(paper: Paper) -> bool:
    """Whether the primary result is a comparison of groups."""
    return any(one.kind == "by_group" for one in paper.study.primary)


def secondary(paper: Paper) -> str:
    """Secondary results, and those of subgroups, in sentences and with the table of groups."""
    said = [_of_role(paper, "secondary")]
    if any(one.kind == "paired" for one in paper.study.primary):
        alone = findings.estimate_words(paper, "primary")
        said.append(f"Each test by itself, in every «noun» in which it was clear: {alone}" if alone else "")
    measures = [measure for one in paper.study.primary for measure in one.measures]
    if paper.study.subgroups:
        said.append(contrasts.interaction_words(paper, measures, paper.study.subgroups))
    words = " ".join(part for part in said if part) or "No secondary analysis was declared."
    table = "" if _is_of_groups(paper) else contrasts.interactions(paper)
    return "\n\n".join(part for part in (referring(words, [contrasts.LABEL_GROUPS] if table else []), table) if part)


def estimates(paper: Paper) -> str:
    """The accuracy of each test: figure and table; the figure only where no difference is drawn."""
    table = findings.estimates(paper)
    if not table:
        return ""
    is_drawn = paper.condition is not None and not (paper.has_kind("paired") or paper.has_kind("by_group"))
    figure = forest.estimates(paper) if is_drawn else ""
    seen = f"@{findings.LABEL_ESTIMATES}" + (f" and @{forest.ESTIMATES}" if figure else "")
    return "\n\n".join(part for part in (f"Every declared estimate stands in {seen}.", figure, table) if part)
