"""The Results on groups of examiners: the difference made in several ways, and what either group saw."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from examtally.reporting.engine.numbers import DASH, coefficient, listed, percent, points
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.contrasts import FEW_EXAMINERS
from examtally.reporting.manuscript.findings import least
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import capital, measure_name, p_words

LABEL_WAYS, LABEL_CASE_MIX = "tbl-group-ways", "tbl-case-mix"
_CASE_MIX = "case_mix"
_METHODS = {
    "examiner_clusters": "t distribution, examiners as clusters",
    "permutation": "Permutation of examiners",
    _CASE_MIX: "Adjusted for case mix",
}


def ways(paper: Paper) -> str:
    """The same difference by every method, on verified knees; the one that leads in the text stands first."""
    lines = [line for line in paper.rows("study_group_comparisons") if _is_enough(paper, line)]
    if not lines:
        return ""
    rows = [
        {
            "test": f"{paper.test_name(line['maneuver'])}: {_pair(paper, line)}",
            "what": f"{capital(measure_name(line['measure']))}{paper.mark(line)}",
            "how": _METHODS[line["method"]],
            "value": _difference(line),
            "p": _p(line),
        }
        for line in lines
    ]
    columns = (
        Column("what", "Measure"),
        Column("how", "Method"),
        Column("value", f"Difference, points ({percent(1 - paper.study.alpha)} CI)"),
        Column("p", "P"),
    )
    caption = "The difference between groups of examiners in several ways, verified «nouns»"
    missing = dict.fromkeys(line["note"] for line in lines if line["difference"] is None and line["note"])
    caption = ". ".join([caption, *(f"{DASH} {note.rstrip('.')}" for note in missing)])
    return table(pl.DataFrame(rows), columns, caption=caption, group="test", label=LABEL_WAYS)


def case_mix(paper: Paper) -> str:
    """What the «nouns» of either group were like, as far as it varied, of the first measure of the first comparison."""
    lines = paper.rows("study_case_mix")
    if not lines:
        return ""
    declared = [measure for one in paper.study.analyses if one.kind == "by_group" for measure in one.measures]
    measure = min((line["measure"] for line in lines), key=declared.index)
    first = [line for line in lines if line["measure"] == measure and line["maneuver"] == lines[0]["maneuver"]]
    pair = (first[0]["group_a"], first[0]["group_b"])
    rows = [
        {
            "variable": capital(paper.grouping_name(line["variable"])),
            "level": _level(paper, line),
            "a": percent(line["share_a"]),
            "b": percent(line["share_b"]),
            "difference": coefficient(line["standardised_difference"]),
        }
        for line in first
        if (line["group_a"], line["group_b"]) == pair and line["standardised_difference"] is not None
    ]
    if not rows:
        return ""
    one, other = (capital(paper.level_name(first[0]["group_by"], group)) for group in pair)
    columns = (
        Column("level", "«Nouns»"),
        Column("a", f"{one} (n = {first[0]['n_a']})"),
        Column("b", f"{other} (n = {first[0]['n_b']})"),
        Column("difference", "Standardized difference"),
    )
    caption = f"Case mix of the verified «nouns» that {measure_name(measure)} counts"
    return table(pl.DataFrame(rows), columns, caption=caption, group="variable", label=LABEL_CASE_MIX)


def case_mix_words(paper: Paper, measures: Sequence[str]) -> str:
    """One sentence a measure: what is left of the difference in verified «nouns» at one case mix."""
    said = []
    for line in paper.rows("study_group_comparisons", method=_CASE_MIX):
        if line["measure"] not in measures or line["difference"] is None or not _is_enough(paper, line):
            continue
        terms = [paper.grouping_name(term.strip()) for term in (line["adjusted_for"] or "").split(",") if term.strip()]
        if terms:
            said.append(
                f"Adjusted for {listed(terms)}, the difference in {measure_name(line['measure'])} of "
                f"{paper.the_test(line['maneuver'])} was {_difference(line)} points in verified «nouns»."
            )
    return " ".join(said)


def _is_enough(paper: Paper, line: Row) -> bool:
    """Whether the «nouns» of both groups are enough for a figure."""
    return bool(min(line["n_a"], line["n_b"]) >= least(paper))


def _level(paper: Paper, line: Row) -> str:
    name = paper.group_name(line["level"])
    unit = paper.unit_of(line["variable"])
    return capital(f"{name} {unit}" if unit and line["level"] != "unknown" else name)


def _pair(paper: Paper, line: Row) -> str:
    return " and ".join(paper.level_name(line["group_by"], line[key]) for key in ("group_a", "group_b"))


def _difference(line: Row) -> str:
    if line["difference"] is None:
        return DASH
    if line["ci_low"] is None or line["ci_high"] is None:
        return f"{points(line['difference'])} (no limit)"
    return f"{points(line['difference'])} ({points(line['ci_low'])} to {points(line['ci_high'])})"


def _p(line: Row) -> str:
    if line["flag"] == FEW_EXAMINERS:
        return "descriptive only"
    if line["p_value"] is None:
        return DASH
    least = line["least_p_value"]
    return p_words(line["p_value"]) + (f" (least possible {p_words(least)})" if least is not None else "")
