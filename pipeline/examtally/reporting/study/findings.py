"""The Results: cross tabulations, estimates, comparisons, groups, agreement and scenarios, each row with its status."""

from __future__ import annotations

import polars as pl

from examtally.reporting.numbers import DASH, coefficient, counted, percent, percent_range, points, ratio, ratio_range
from examtally.reporting.study.flow import flow_of
from examtally.reporting.study.pairs import WHO
from examtally.reporting.study.paper import Paper, Row, label
from examtally.reporting.tables import Column, table

_RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")
_STATUS = Column("status", "Status", words=True)


def cross_tabulations(paper: Paper) -> str:
    """Index test by reference, one table for all tests."""
    rows = []
    for test in paper.used_tests() if paper.condition else ():
        flow = flow_of(paper, test)
        for result in ("positive", "equivocal", "negative"):
            arm = flow.arm(result)
            cells = {"present": arm.present, "absent": arm.absent, "unknown": arm.no_reference + arm.inconclusive}
            rows.append(
                {"test": paper.test_name(test), "result": result.capitalize(), "status": flow.status}
                | {name: str(number) for name, number in cells.items()}
                | {"all": str(arm.exams)}
            )
    if not rows:
        return ""
    columns = (
        Column("result", "Index test"),
        Column("present", "Present", "Condition by the reference"),
        Column("absent", "Absent", "Condition by the reference"),
        Column("unknown", "Not settled"),
        Column("all", "All"),
        _STATUS,
    )
    caption = f"Index test by reference standard: {paper.condition_name}"
    return table(pl.DataFrame(rows), columns, caption=caption, group="test")


def estimates(paper: Paper) -> str:
    """Every estimate of accuracy that is declared."""
    lines = [line for line in paper.rows("accuracy") if line["group_by"] != "examiner"]
    if not lines:
        return ""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "what": f"{paper.wording.word('measure', line['measure']).capitalize()}\n{_of_whom(paper, line)}",
            "how": _how(paper, line["adjustment"]),
            "value": value_words(line),
            "counts": f"{line['events']} of {line['n']}",
            "status": label(line["status"]),
        }
        for line in lines
    ]
    columns = (
        Column("what", "Measure"),
        Column("how", "Knees", words=True),
        Column("value", f"Estimate ({percent(1 - paper.study.alpha)} interval)"),
        Column("counts", "Events of knees"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="Estimates of accuracy", group="test")


def estimate_words(paper: Paper, role: str) -> str:
    """One sentence a figure of the analyses of this role, on verified knees, everybody."""
    wanted = [one for one in paper.rows("study_analyses", role=role) if "accuracy" in one["tables"].split(", ")]
    said = []
    for line in paper.rows("accuracy", group_by="overall"):
        if line["adjustment"] not in ("none", "verification"):
            continue
        asked = any(
            line["maneuver"] in one["tests"].split(", ") and line["measure"] in one["measures"].split(", ")
            for one in wanted
        )
        if asked and not (line["adjustment"] == "verification" and line["estimate"] is None):
            said.append(
                f"{paper.wording.word('measure', line['measure']).capitalize()} of {paper.test_name(line['maneuver'])}"
                f"{', corrected for who was verified,' if line['adjustment'] == 'verification' else ''} was "
                f"{value_words(line)}, {line['events']} of {line['n']} ({label(line['status'])})."
            )
    return " ".join(said)


def comparisons(paper: Paper) -> str:
    """Two tests on the same knees, differences and ratios."""
    rows = [
        {
            "pair": f"{paper.test_name(line['maneuver_a'])} minus {paper.test_name(line['maneuver_b'])}",
            "what": f"{paper.wording.word('measure', line['measure']).capitalize()}\n{_of_whom(paper, line)}",
            "how": _how(paper, line["adjustment"]),
            "a": percent(line["estimate_a"]),
            "b": percent(line["estimate_b"]),
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
        Column("a", "First"),
        Column("b", "Second"),
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
            f"{paper.wording.word('measure', line['measure']).capitalize()} was {percent(line['estimate_a'])} with "
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
            "what": f"{paper.wording.word('measure', line['measure']).capitalize()}\n"
            f"{paper.group_name(line['group_a'])} and {paper.group_name(line['group_b'])}",
            "how": _how(paper, line["adjustment"]),
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
            f"{paper.wording.word('measure', line['measure']).capitalize()} of {paper.test_name(line['maneuver'])}, "
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


def agreement(paper: Paper) -> str:
    """How often two examiners found the same, and beyond chance."""
    rows = [
        {
            "test": f"{paper.test_name(line['maneuver'])}, {WHO[line['group_by']]}",
            "what": paper.wording.word("agreement", line["statistic"]).capitalize(),
            "value": agreement_value(line),
            "pairs": f"{line['pairs']}\n{counted(line['participants'], 'participant')}",
            "status": label(line["status"]),
        }
        for line in paper.rows("agreement")
        if line["group_by"] in WHO
    ]
    if not rows:
        return ""
    columns = (
        Column("what", "Statistic"),
        Column("value", f"Estimate ({percent(1 - paper.study.alpha)} interval)"),
        Column("pairs", "Pairs"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="Agreement of two examiners", group="test")


def agreement_words(paper: Paper) -> str:
    """One sentence a figure of agreement."""
    return " ".join(
        f"{paper.wording.word('agreement', line['statistic']).capitalize()} on {paper.test_name(line['maneuver'])} "
        f"({WHO[line['group_by']]}) was {agreement_value(line).replace(chr(10), ' ')}, {line['pairs']} pairs "
        f"({label(line['status'])})."
        for line in paper.rows("agreement")
        if line["group_by"] in WHO
    )


def scenarios(paper: Paper) -> str:
    """What other choices about equivocal findings and undecided references would give."""
    lines = paper.rows("sensitivity_analyses", group_by="overall")
    if not lines:
        return ""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "scenario": paper.wording.word("scenario", line["scenario"]).capitalize(),
            "what": paper.wording.word("measure", line["measure"]),
            "value": value_words(line),
            "counts": f"{line['events']} of {line['n']}",
            "change": points(line["difference"]),
            "status": label(line["status"]),
        }
        for line in lines
    ]
    columns = (
        Column("scenario", "Scenario"),
        Column("what", "Measure", words=True),
        Column("value", "Estimate"),
        Column("counts", "Events of knees"),
        Column("change", "Change, points"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="What other choices would give", group="test")


def bounds(paper: Paper) -> str:
    """The least and the most that the unverified knees allow."""
    told = {one for analysis in paper.study.analyses for one in analysis.measures}
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "what": paper.wording.word("measure", line["measure"]).capitalize(),
            "range": percent_range(line["lower"], line["upper"]) or DASH,
            "status": label(line["status"]),
        }
        for line in paper.rows("verification_bounds", group_by="overall")
        if line["measure"] in told
    ]
    if not rows:
        return ""
    columns = (Column("what", "Measure"), Column("range", "Least to most"), _STATUS)
    return table(pl.DataFrame(rows), columns, caption="What unverified knees allow, whatever they are", group="test")


def value_words(line: Row) -> str:
    """An estimate with its interval, or why there is none.

    >>> value_words({"measure": "sensitivity", "estimate": 0.8, "ci_low": 0.7, "ci_high": 0.9, "flag": None})
    '80% (70–90%)'
    """
    if line["estimate"] is None or line["flag"] == "too_few" or line.get("display") == "counts_only":
        return "too few to estimate"
    if line["measure"] in _RATIOS:
        limits = ratio_range(line["ci_low"], line["ci_high"])
        return f"{ratio(line['estimate'])} ({limits})" if limits else ratio(line["estimate"])
    limits = percent_range(line["ci_low"], line["ci_high"])
    return f"{percent(line['estimate'])} ({limits})" if limits else percent(line["estimate"])


def agreement_value(line: Row) -> str:
    """A figure of agreement with its interval: shares as percentages, coefficients as such."""
    if line["estimate"] is None:
        return "too few to estimate"
    if line["statistic"].endswith("_agreement"):
        return f"{percent(line['estimate'])} ({percent_range(line['ci_low'], line['ci_high'])})"
    if line["ci_low"] is None:
        return coefficient(line["estimate"])
    return f"{coefficient(line['estimate'])} ({coefficient(line['ci_low'])} to {coefficient(line['ci_high'])})"


def _of_whom(paper: Paper, line: Row) -> str:
    if line["group_by"] == "overall":
        return "everybody"
    return f"{paper.grouping_name(line['group_by'])}: {paper.group_name(line['group'])}"


def _how(paper: Paper, adjustment: str) -> str:
    return {"none": "verified, as they are", "verification": "corrected for who was verified"}.get(
        adjustment, paper.wording.word("adjustment", adjustment)
    )


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


def p_words(value: float) -> str:
    """A p value, three decimals.

    >>> p_words(0.0421), p_words(0.00002)
    ('0.042', '<0.001')
    """
    return "<0.001" if value < 0.001 else f"{value:.3f}"
