"""The Results on differences: two tests on the same knees, and one test in two groups."""

from __future__ import annotations

import polars as pl

from examtally.reporting.numbers import DASH, counted, percent, points
from examtally.reporting.study.paper import Paper, Row, label
from examtally.reporting.study.values import how_made, measure_name, of_whom, p_words
from examtally.reporting.tables import Column, table

_STATUS = Column("status", "Status", words=True)


def comparisons(paper: Paper) -> str:
    """Two tests on the same knees, differences and ratios."""
    rows = [
        {
            "pair": f"{paper.test_name(line['maneuver_a'])} minus {paper.test_name(line['maneuver_b'])}",
            "what": f"{measure_name(line['measure']).capitalize()}\n{of_whom(paper, line)}",
            "how": how_made(paper, line["adjustment"]),
            "both": f"{percent(line['estimate_a'])} and {percent(line['estimate_b'])}",
            "value": _difference(line),
            "alone": f"{line['only_a']} and {line['only_b']} of {line['n']}",
            "p": _p(line),
            "status": label(line["status"]),
        }
        for line in paper.rows("comparisons", contrast="difference")
    ]
    if not rows:
        return ""
    columns = (
        Column("what", "Measure"),
        Column("how", "Knees", words=True),
        Column("both", "First and second"),
        Column("value", "Difference, points"),
        Column("alone", "First or second alone"),
        Column("p", "P"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="Two tests on the same knees", group="pair")


def comparison_words(paper: Paper) -> str:
    """One sentence a declared comparison of everybody on verified knees."""
    said = []
    for line in paper.rows("comparisons", contrast="difference", group_by="overall", adjustment="none"):
        if line["difference"] is None:
            continue
        said.append(
            f"{measure_name(line['measure']).capitalize()} was {percent(line['estimate_a'])} with "
            f"{paper.test_name(line['maneuver_a'])} and {percent(line['estimate_b'])} with "
            f"{paper.test_name(line['maneuver_b'])}, a difference of {_difference(line).replace(chr(10), ' ')} points "
            f"(P {_p(line).replace(chr(10), ', ')}; {counted(line['n'], 'knee')}; {label(line['status'])})."
        )
    return " ".join(said)


def interactions(paper: Paper) -> str:
    """Differences between groups, each with its test."""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "what": f"{measure_name(line['measure']).capitalize()}\n"
            f"{paper.group_name(line['group_a'])} and {paper.group_name(line['group_b'])}",
            "how": how_made(paper, line["adjustment"]),
            "a": _of_group(line, "a"),
            "b": _of_group(line, "b"),
            "value": _difference(line),
            "p": _p(line),
            "status": label(line["status"]),
        }
        for line in paper.rows("interactions")
    ]
    if not rows:
        return ""
    columns = (
        Column("what", "Measure and groups"),
        Column("how", "Knees", words=True),
        Column("a", "First group"),
        Column("b", "Second group"),
        Column("value", "Difference, points"),
        Column("p", "P of interaction"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="Groups, with tests of interaction", group="test")


def interaction_words(paper: Paper) -> str:
    """One sentence a pair of groups on verified knees."""
    said = []
    for line in paper.rows("interactions", adjustment="none"):
        start = (
            f"{measure_name(line['measure']).capitalize()} of {paper.test_name(line['maneuver'])}, "
            f"{paper.group_name(line['group_a'])} against {paper.group_name(line['group_b'])} ({label(line['status'])})"
        )
        if line["difference"] is None or line["flag"]:
            said.append(f"{start}: too few to estimate ({line['n_a']} and {line['n_b']} knees).")
        else:
            said.append(
                f"{start}: {points(line['estimate_a'])} and {points(line['estimate_b'])}, difference "
                f"{_difference(line).replace(chr(10), ' ')} points (P {_p(line).replace(chr(10), ', ')})."
                if " minus " in line["maneuver"]
                else f"{start}: {percent(line['estimate_a'])} and {percent(line['estimate_b'])}, difference "
                f"{_difference(line).replace(chr(10), ' ')} points (P {_p(line).replace(chr(10), ', ')})."
            )
    return " ".join(said)


def _difference(line: Row) -> str:
    if line["difference"] is None or line["flag"] == "too_few":
        return "too few to estimate"
    return f"{points(line['difference'])}\n({points(line['ci_low'])} to {points(line['ci_high'])})"


def _of_group(line: Row, which: str) -> str:
    value = line[f"estimate_{which}"]
    shown = points(value) if " minus " in line["maneuver"] else percent(value)
    return f"{shown if line['flag'] != 'too_few' else DASH}\n{counted(line[f'n_{which}'], 'knee')}"


def _p(line: Row) -> str:
    if line["p_value"] is None or line["flag"] == "too_few":
        return DASH
    adjusted = line["p_adjusted"]
    return p_words(line["p_value"]) + (f"\nadjusted {p_words(adjusted)}" if adjusted is not None else "")
