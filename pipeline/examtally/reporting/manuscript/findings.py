"""The Results on accuracy and agreement: cross tabulations, estimates, scenarios, each row with its status."""

from __future__ import annotations

import polars as pl

from examtally.reporting.engine.numbers import DASH, counted, percent, percent_range, points
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.flow import flow_of
from examtally.reporting.manuscript.pairs import WHO
from examtally.reporting.manuscript.paper import Paper, label
from examtally.reporting.manuscript.values import agreement_value, capital, how_made, measure_name, of_whom, value_words

_STATUS = Column("status", "Status", words=True)
_SAID_OF = {
    "bias_adjusted": ", corrected for verification bias and for an imperfect reference standard,",
    "verification": ", corrected for verification bias alone,",
    "none": ", in verified «nouns» only,",
}
"""What is said of a figure by how it was made, the leading one first."""


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
    lines = [line for line in paper.rows("accuracy") if line["group_by"] != "examiner" and line["n"]]
    if not lines:
        return ""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "what": f"{capital(measure_name(line['measure']))}\n{of_whom(paper, line)}",
            "how": how_made(line["adjustment"]),
            "value": value_words(line),
            "counts": f"{line['events']} of {line['n']}",
            "status": label(line["status"]),
        }
        for line in lines
    ]
    columns = (
        Column("what", "Measure"),
        Column("how", "«Nouns»", words=True),
        Column("value", f"Estimate ({percent(1 - paper.study.alpha)} interval)"),
        Column("counts", "Events of «nouns»"),
        _STATUS,
    )
    return table(pl.DataFrame(rows), columns, caption="Estimates of accuracy", group="test")


def estimate_words(paper: Paper, role: str) -> str:
    """One sentence a figure of the analyses of this role, everybody; the leading estimates first."""
    wanted = [one for one in paper.rows("study_analyses", role=role) if "accuracy" in one["tables"].split(", ")]
    said = []
    order = list(_SAID_OF)
    told = [line for line in paper.rows("accuracy", group_by="overall") if line["adjustment"] in _SAID_OF]
    for line in sorted(told, key=lambda one: order.index(one["adjustment"])):
        asked = any(
            line["maneuver"] in one["tests"].split(", ") and line["measure"] in one["measures"].split(", ")
            for one in wanted
        )
        if asked and not (line["adjustment"] != "none" and line["estimate"] is None):
            counts = f", {line['events']} of {line['n']}" if line["adjustment"] == "none" else ""
            said.append(
                f"{capital(measure_name(line['measure']))} of {paper.test_name(line['maneuver'])}"
                f"{_SAID_OF[line['adjustment']]} was "
                f"{value_words(line)}{counts} ({label(line['status'])})."
            )
    return " ".join(said)


def agreement(paper: Paper) -> str:
    """How often two examiners found the same, and beyond chance."""
    rows = [
        {
            "test": f"{paper.test_name(line['maneuver'])}, {WHO[line['group_by']]}",
            "what": capital(measure_name(line["statistic"])),
            "value": agreement_value(line, _least(paper)),
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


def agreement_words(paper: Paper, role: str) -> str:
    """One sentence a figure of agreement of the analyses of this role."""
    asked = {
        (test, one.pairs_of, statistic)
        for one in (paper.study.primary if role == "primary" else paper.study.secondary)
        for test in one.tests
        for statistic in one.statistics
    }
    return " ".join(
        f"{capital(measure_name(line['statistic']))} on {paper.test_name(line['maneuver'])} "
        f"({WHO[line['group_by']]}) was {agreement_value(line, _least(paper))}, {line['pairs']} pairs "
        f"({label(line['status'])})."
        for line in paper.rows("agreement")
        if (line["maneuver"], line["group_by"], line["statistic"]) in asked
    )


def scenarios(paper: Paper) -> str:
    """What other choices about equivocal findings and undecided references would give."""
    used = paper.used_tests()
    lines = [line for line in paper.rows("sensitivity_analyses", group_by="overall") if line["maneuver"] in used]
    if not lines:
        return ""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "scenario": paper.wording.word("scenario", line["scenario"]).capitalize(),
            "what": measure_name(line["measure"]),
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
        Column("counts", "Events of «nouns»"),
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
            "what": capital(measure_name(line["measure"])),
            "range": percent_range(line["lower"], line["upper"]) or DASH,
            "status": label(line["status"]),
        }
        for line in paper.rows("verification_bounds", group_by="overall")
        if line["measure"] in told and line["maneuver"] in paper.used_tests()
    ]
    if not rows:
        return ""
    columns = (Column("what", "Measure"), Column("range", "Least to most"), _STATUS)
    return table(pl.DataFrame(rows), columns, caption="What unverified «nouns» allow, whatever they are", group="test")


def _least(paper: Paper) -> int:
    """People below which there is no figure."""
    return paper.study.protocol.display.min_participants
