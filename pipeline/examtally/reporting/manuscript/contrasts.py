"""The Results on differences: two tests on the same knees, and one test in two groups."""

from __future__ import annotations

import polars as pl

from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.reporting.engine.numbers import DASH, counted, listed, percent, points, ratio, ratio_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.paper import Paper, Row, label
from examtally.reporting.manuscript.values import (
    RATIOS,
    TOO_FEW,
    capital,
    how_made,
    leading_rows,
    measure_name,
    of_whom,
    p_words,
)

_STATUS = Column("status", "Status", words=True)
_OF_EXAMINERS = (*EXAMINER_GROUPS, "setting")
_FEW = 3
_FEW_EXAMINERS = "few_examiners"


def comparisons(paper: Paper) -> str:
    """Two tests on the same knees, differences and ratios."""
    rows = [
        {
            "pair": f"{paper.test_name(line['maneuver_a'])} minus {paper.test_name(line['maneuver_b'])}",
            "what": f"{capital(measure_name(line['measure']))}\n{of_whom(paper, line)}, {how_made(line['adjustment'])}",
            "both": f"{_value(line, 'a')} and {_value(line, 'b')}",
            "value": _difference(line),
            "alone": f"{line['only_a']} and {line['only_b']} of {line['n']}",
            "p": _p(line),
            "status": label(line["status"]),
        }
        for line in _compared(paper)
        if line["n"]
    ]
    if not rows:
        return ""
    columns = (
        Column("what", "Measure"),
        Column("both", "First and second"),
        Column("value", "Difference or ratio"),
        Column("alone", "First or second alone"),
        Column("p", "P"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="Two tests on the same «nouns»", group="pair")


def comparison_words(paper: Paper) -> str:
    """One sentence a declared comparison of everybody, by the leading estimate where there is one."""
    said = []
    for line in leading_rows(_compared(paper), "difference"):
        if line["difference"] is None or line["group_by"] != "overall":
            continue
        contrast = "a ratio of" if line["measure"] in RATIOS else "a difference of"
        unit = "" if line["measure"] in RATIOS else " points"
        said.append(
            f"{capital(measure_name(line['measure']))} was {_value(line, 'a')} with "
            f"{paper.test_name(line['maneuver_a'])} and {_value(line, 'b')} with "
            f"{paper.test_name(line['maneuver_b'])}, {contrast} {_difference(line).replace(chr(10), ' ')}{unit} "
            f"({_tested(line)}{how_made(line['adjustment'])}, {counted(line['n'], 'verified «noun»')}; "
            f"{label(line['status'])})."
        )
    return " ".join(said)


def _compared(paper: Paper) -> list[Row]:
    """Differences, and ratios of what is a ratio itself."""
    return [
        line
        for line in _judged(paper, "comparisons")
        if line["contrast"] == ("ratio" if line["measure"] in RATIOS else "difference")
    ]


def _value(line: Row, which: str) -> str:
    value = line[f"estimate_{which}"] if line["flag"] != TOO_FEW else None
    return ratio(value) if line["measure"] in RATIOS else percent(value)


def interactions(paper: Paper) -> str:
    """Differences between groups, each with its test."""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "what": f"{capital(measure_name(line['measure']))}\n"
            f"{paper.group_name(line['group_a'])} and {paper.group_name(line['group_b'])}, "
            f"{how_made(line['adjustment'])}",
            "a": _of_group(line, "a"),
            "b": _of_group(line, "b"),
            "value": _difference(line),
            "p": _p(line),
            "status": label(line["status"]),
        }
        for line in _judged(paper, "interactions")
    ]
    if not rows:
        return ""
    columns = (
        Column("what", "Measure and groups"),
        Column("a", "First group"),
        Column("b", "Second group"),
        Column("value", "Difference, points"),
        Column("p", "P of interaction"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="Groups, with tests of interaction", group="test")


def interaction_words(paper: Paper) -> str:
    """One sentence a pair of groups, by the leading estimate where there is one."""
    said = []
    for line in leading_rows(_judged(paper, "interactions"), "difference"):
        start = (
            f"{capital(measure_name(line['measure']))} of {paper.test_name(line['maneuver'])}, "
            f"{paper.group_name(line['group_a'])} against {paper.group_name(line['group_b'])} ({label(line['status'])})"
        )
        if line["difference"] is None or line["flag"] == TOO_FEW:
            said.append(f"{start}: too few to estimate ({line['n_a']} and {line['n_b']} «nouns»).")
            continue
        write = points if " minus " in line["maneuver"] else percent
        said.append(
            f"{start}: {write(line['estimate_a'])} and {write(line['estimate_b'])}, difference "
            f"{_difference(line).replace(chr(10), ' ')} points ({_tested(line)}{how_made(line['adjustment'])})."
            + (f" {line['note']}" if line["flag"] == _FEW_EXAMINERS else "")
        )
    return " ".join(said)


def _judged(paper: Paper, name: str) -> list[Row]:
    """Rows of a table, those with too few people flagged as such: knees where people are not counted."""
    least = paper.study.protocol.display.min_participants
    return [
        {**line, "flag": TOO_FEW}
        if (line["participants"] if "participants" in line else min(line["n_a"], line["n_b"])) < least
        else line
        for line in paper.rows(name)
    ]


def behind_words(paper: Paper) -> str:
    """How many examiners stand behind groups that are made by who examined or where."""
    told = []
    for name in dict.fromkeys(one.group_by for one in paper.study.analyses if one.group_by in _OF_EXAMINERS):
        counts = {
            line["group"]: int(line["value"] or 0) for line in paper.rows("cohort_summary", item=f"examiners_by_{name}")
        }
        if counts:
            parts = [f"{number} ({paper.group_name(group)})" for group, number in counts.items()]
            told.append(f"Examiners behind the groups by {paper.grouping_name(str(name))}: {listed(parts)}.")
        if any(number < _FEW for number in counts.values()):
            told.append(
                "A group with fewer than three examiners is nearly a figure of persons: keep it inside; "
                "`study bundle` hides it."
            )
    return " ".join(told)


def _difference(line: Row) -> str:
    if line["difference"] is None or line["flag"] == TOO_FEW:
        return "too few to estimate"
    if line["measure"] in RATIOS:
        return f"{ratio(line['difference'])}\n({ratio_range(line['ci_low'], line['ci_high'])})"
    return f"{points(line['difference'])}\n({points(line['ci_low'])} to {points(line['ci_high'])})"


def _of_group(line: Row, which: str) -> str:
    value = line[f"estimate_{which}"]
    shown = points(value) if " minus " in line["maneuver"] else percent(value)
    return f"{shown if line['flag'] != 'too_few' else DASH}\n{counted(line[f'n_{which}'], '«noun»')}"


def _tested(line: Row) -> str:
    """The P value for a sentence; empty where nothing was tested."""
    words = _p(line).replace("\n", ", ")
    return "" if words == DASH else f"P {words}; "


def _p(line: Row) -> str:
    if line["p_value"] is None or line["flag"] == TOO_FEW:
        return DASH
    adjusted = line["p_adjusted"]
    words = p_words(line["p_value"]) + (f"\nadjusted {p_words(adjusted)}" if adjusted is not None else "")
    return f"{words}\ndescriptive only" if line["flag"] == _FEW_EXAMINERS else words
