"""The Results on accuracy and agreement: cross tabulations, estimates, other choices, bounds."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from examtally.analytics.diagnostic_accuracy.notes import ONE_EXAMINER
from examtally.reporting.engine.numbers import DASH, count, counted, percent, percent_range, points, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.flow import flow_of
from examtally.reporting.manuscript.joint import joints_of
from examtally.reporting.manuscript.pairs import WHO
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import (
    TOO_FEW,
    UNCORRECTED,
    agreement_value,
    capital,
    how_made,
    is_shown,
    leading,
    main_first,
    measure_name,
    of_whom,
    value_words,
)

LABEL_CROSSED, LABEL_ESTIMATES, LABEL_AGREEMENT = "tbl-crossed", "tbl-estimates", "tbl-agreement"
LABEL_SCENARIOS, LABEL_BOUNDS = "tbl-scenarios", "tbl-bounds"
_KEY = ("maneuver", "group_by", "group", "measure")


def cross_tabulations(paper: Paper) -> str:
    """Index test by reference, one table for all tests that are not shown in pairs."""
    paired = {test for joint in joints_of(paper) for test in (joint.test_a, joint.test_b)} if paper.condition else set()
    rows = []
    for test in paper.used_tests() if paper.condition else ():
        flow = flow_of(paper, test)
        for result in ("positive", "equivocal", "negative") if test not in paired else ():
            arm = flow.arm(result)
            cells = {"present": arm.present, "absent": arm.absent, "unknown": arm.no_reference + arm.inconclusive}
            rows.append(
                {"test": paper.test_name(test), "result": result.capitalize()}
                | {name: count(number) for name, number in cells.items()}
                | {"all": count(arm.exams)}
            )
    if not rows:
        return ""
    columns = (
        Column("result", "Index test"),
        Column("present", "Present", "Condition by the reference"),
        Column("absent", "Absent", "Condition by the reference"),
        Column("unknown", "Not verified"),
        Column("all", "All"),
    )
    caption = f"Index test by reference standard: {paper.condition_name}"
    return table(pl.DataFrame(rows), columns, caption=caption, group="test", label=LABEL_CROSSED)


def estimates(paper: Paper) -> str:
    """Every estimate of accuracy that is declared: the main one, and beside it those made otherwise."""
    lines = [
        line
        for line in paper.rows("accuracy")
        if line["group_by"] != "examiner" and line["n"] and not (line["group"] == "unknown" and not is_shown(line))
    ]
    alone = {tuple(line[name] for name in _KEY) for line in lines if is_of_one_examiner(line)}
    lines = [line for line in lines if tuple(line[name] for name in _KEY) not in alone]
    if not lines:
        return ""
    made = [one["adjustment"] for one in main_first(paper, [{"adjustment": a} for a in paper.study.adjustments])]
    rows = []
    for same in _alike(lines):
        by_adjustment = {line["adjustment"]: line for line in same}
        first = by_adjustment.get(UNCORRECTED, same[0])
        what = f"{capital(measure_name(first['measure']))}{paper.mark(first)}"
        rows.append(
            {
                "test": paper.test_name(first["maneuver"]),
                "what": what if first["group_by"] == "overall" else f"{what}, {of_whom(paper, first)}",
                "counts": f"{count(first['events'])}/{count(first['n'])}",
                "place": _place(paper, first),
            }
            | {one: value_words(by_adjustment[one]) if one in by_adjustment else DASH for one in made}
        )
    rows.sort(key=lambda row: row.pop("place"))
    level = percent(1 - paper.study.alpha)
    columns = (
        Column("what", "Measure"),
        *(Column(one, f"{capital(how_made(one))} ({level} CI)") for one in made),
        Column("counts", "n/N, verified"),
    )
    left_out = ". Groups of one examiner are left out" if alone else ""
    caption = paper.noted(f"Estimates of accuracy{left_out}", lines)
    return table(pl.DataFrame(rows), columns, caption=caption, group="test", label=LABEL_ESTIMATES)


def is_of_one_examiner(line: Row) -> bool:
    """Whether a figure of a group is that of one person."""
    return ONE_EXAMINER in (line["note"] or "")


def _place(paper: Paper, line: Row) -> tuple[object, ...]:
    """By test, everybody first, groups in their order."""
    test = paper.used_tests().index(line["maneuver"])
    return (test, line["group_by"] != "overall", *paper.place(line["group_by"], line["group"]))


def _alike(lines: Sequence[Row]) -> list[list[Row]]:
    """Rows of one figure, made in several ways."""
    groups: dict[tuple[str, ...], list[Row]] = {}
    for line in lines:
        groups.setdefault(tuple(line[name] for name in _KEY), []).append(line)
    return list(groups.values())


def estimate_words(paper: Paper, role: str) -> str:
    """One sentence a figure of everybody of the analyses of this role: main estimate and verified alone."""
    wanted = [one for one in paper.rows("study_analyses", role=role) if "accuracy" in one["tables"].split(", ")]
    said = []
    for same in _alike(paper.rows("accuracy", group_by="overall")):
        first = same[0]
        asked = any(
            first["maneuver"] in one["tests"].split(", ") and first["measure"] in one["measures"].split(", ")
            for one in wanted
        )
        if asked:
            said.append(_figure_words(paper, same))
    return " ".join(said)


def _figure_words(paper: Paper, same: Sequence[Row]) -> str:
    """The main estimate, and how it stands to the verified knees alone."""
    main, first = leading(paper, same), same[0]
    name = f"{capital(measure_name(first['measure']))} of {paper.the_test(first['maneuver'])}{paper.mark(first)}"
    plain = next((line for line in same if line["adjustment"] == UNCORRECTED), first)
    counts = f"{count(plain['events'])}/{count(plain['n'])}"
    if main is None:
        return f"{name}: {TOO_FEW} ({counts} verified)."
    if main["adjustment"] == UNCORRECTED:
        why = withheld_words(paper, same)
        return f"{name} was {value_words(main)}, {counts} verified «nouns»{why}."
    beside = f"; {value_words(plain)} in verified «nouns» only, {counts}" if is_shown(plain) else ""
    return f"{name} was {value_words(main)} ({how_made(main['adjustment'])}){beside}."


def withheld_words(paper: Paper, lines: Sequence[Row]) -> str:
    """Why the main estimate is not given, where it is not, to follow a comma; nothing where it was not asked for."""
    main = next((line for line in lines if line["adjustment"] == paper.study.main), None)
    if main is None or paper.study.main == UNCORRECTED:
        return ""
    reason = (main["note"] or "").rstrip(".")
    return f"; no {how_made(paper.study.main)} figure is given" + (
        f" ({reason[:1].lower()}{reason[1:]})" if reason else ""
    )


def agreement(paper: Paper) -> str:
    """How often two examiners found the same, and beyond chance."""
    lines = [line for line in paper.rows("agreement") if line["group_by"] in WHO]
    rows = [
        {
            "test": f"{paper.test_name(line['maneuver'])}, {WHO[line['group_by']]}",
            "what": capital(measure_name(line["statistic"])) + paper.mark(line),
            "value": agreement_value(line, least(paper)),
            "pairs": count(line["pairs"]),
            "people": count(line["participants"]),
        }
        for line in lines
    ]
    if not rows:
        return ""
    columns = (
        Column("what", "Statistic"),
        Column("value", f"Estimate ({percent(1 - paper.study.alpha)} CI)"),
        Column("pairs", "Pairs"),
        Column("people", "Participants"),
    )
    caption = paper.noted("Agreement of two examiners", lines)
    return table(pl.DataFrame(rows), columns, caption=caption, group="test", label=LABEL_AGREEMENT)


def agreement_words(paper: Paper, role: str) -> str:
    """One sentence a figure of agreement of the analyses of this role."""
    asked = {
        (test, one.pairs_of, statistic)
        for one in (paper.study.primary if role == "primary" else paper.study.secondary)
        for test in one.tests
        for statistic in one.statistics
    }
    return " ".join(
        f"{capital(measure_name(line['statistic']))} on {paper.the_test(line['maneuver'])} "
        f"({WHO[line['group_by']]}){paper.mark(line)} was {agreement_value(line, least(paper))}, "
        f"{counted(line['pairs'], 'pair')}."
        for line in paper.rows("agreement")
        if (line["maneuver"], line["group_by"], line["statistic"]) in asked
    )


def missing(paper: Paper) -> str:
    """How many clear findings have a reference, by what was found."""
    if paper.condition is None:
        return "Equivocal and missing findings make no pair."
    told = []
    for test in paper.used_tests():
        flow = flow_of(paper, test)
        by_result = [
            f"{share_of(arm.present + arm.absent, arm.exams)} {arm.result} findings"
            for arm in (flow.arm("positive"), flow.arm("negative"))
            if arm.exams
        ]
        if by_result:
            told.append(
                f"With {paper.the_test(test)}, {' and '.join(by_result)} were verified; "
                f"{counted(flow.arm('equivocal').exams, 'finding was', 'findings were')} equivocal."
            )
    return " ".join(told) or "«Nouns» without a reference were left out and counted in the flow."


def scenarios(paper: Paper) -> str:
    """What other choices about equivocal findings and undecided references would give."""
    told = {one for analysis in paper.study.primary for one in analysis.measures}
    lines = [
        line
        for line in paper.rows("sensitivity_analyses", group_by="overall")
        if line["maneuver"] in paper.used_tests() and line["measure"] in told
    ]
    if not lines:
        return ""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "scenario": capital(paper.wording.word("scenario", line["scenario"])),
            "what": capital(measure_name(line["measure"])),
            "value": value_words(line),
            "counts": f"{count(line['events'])}/{count(line['n'])}",
            "change": points(line["difference"]),
        }
        for line in lines
    ]
    columns = (
        Column("scenario", "Other choice"),
        Column("what", "Measure", words=True),
        Column("value", "Estimate"),
        Column("counts", "n/N"),
        Column("change", "Change, points"),
    )
    caption = (
        "Unclear findings (equivocal, or not done because of the «noun») and undecided references counted otherwise"
    )
    return table(pl.DataFrame(rows), columns, caption=caption, group="test", label=LABEL_SCENARIOS)


def bounds(paper: Paper) -> str:
    """The least and the most that the unverified «nouns» allow."""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "what": capital(measure_name(line["measure"])),
            "range": percent_range(line["lower"], line["upper"]) or DASH,
        }
        for line in _with_main(paper)
    ]
    if not rows:
        return ""
    columns = (Column("what", "Measure"), Column("range", "Lowest to highest possible"))
    caption = "Bounds of accuracy, whatever the unverified «nouns» have, each reading of the reference taken as true"
    return table(pl.DataFrame(rows), columns, caption=caption, group="test", label=LABEL_BOUNDS)


def bounds_words(paper: Paper) -> str:
    """Why the main estimate may lie outside the bounds; nothing where it takes the reference as true itself."""
    if paper.study.main != "bias_adjusted":
        return ""
    outside = any(
        line["estimate"] is not None and not line["lower"] <= line["estimate"] <= line["upper"]
        for line in _with_main(paper)
    )
    return (
        f"The bounds in @{LABEL_BOUNDS} take each reading of the reference as true; the bias-adjusted estimate allows "
        f"for its errors, so that it can lie outside them{', as it does here' if outside else ''}."
    )


def _with_main(paper: Paper) -> list[Row]:
    """The bounds of everybody, each with the main `estimate` of the same measure."""
    main = {
        (line["maneuver"], line["measure"]): line["estimate"]
        for line in paper.rows("accuracy", group_by="overall", adjustment=paper.study.main)
        if is_shown(line)
    }
    told = {one for analysis in paper.study.primary for one in analysis.measures}
    return [
        {**line, "estimate": main.get((line["maneuver"], line["measure"]))}
        for line in paper.rows("verification_bounds", group_by="overall")
        if line["measure"] in told and line["maneuver"] in paper.used_tests()
    ]


def least(paper: Paper) -> int:
    """People below which there is no figure."""
    return paper.study.protocol.display.min_participants
