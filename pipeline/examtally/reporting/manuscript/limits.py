"""What this study cannot show, computed; and what was planned, against what was reached."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from examtally.analytics.comparison.examiner_clusters import ENOUGH_EXAMINERS
from examtally.reporting.engine.numbers import DASH, count, counted, listed, percent, points, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.manuscript.arms import group_flows
from examtally.reporting.manuscript.contrasts import is_verified_only
from examtally.reporting.manuscript.flow import flow_of
from examtally.reporting.manuscript.joint import joints_of
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import UNCORRECTED, capital, measure_name
from examtally.studies.lock_status import ASKED_BEFORE

LABEL = "tbl-size"
_FEW_EXAMINERS, _FEW_PAIRED = 10, 20
_ONE_PLACE = 0.7


def cannot_show(paper: Paper) -> str:
    """The paragraph *what this study cannot show*."""
    return " ".join(
        sentence for part in (_spectrum, _examiners, _reference, _precision, _lock) for sentence in part(paper)
    )


def _spectrum(paper: Paper) -> Iterator[str]:
    """Case mix and spectrum of disease."""
    lines = paper.rows("study_participants")
    whole = next((line["knees"] for line in lines if line["group_by"] == "overall"), 0)
    places = sorted((line for line in lines if line["group_by"] == "setting"), key=lambda line: -line["knees"])
    if places and whole and places[0]["knees"] >= _ONE_PLACE * whole:
        yield (
            f"{percent(places[0]['knees'] / whole)} of «nouns» were examined in one kind of place "
            f"({paper.group_name(places[0]['group'])}): how the test does elsewhere is not shown."
        )
    severity = {line["group"]: line["present"] for line in paper.described("severity") if line["present"]}
    graded = sum(number for code, number in severity.items() if code != "unknown")
    if graded and paper.condition is not None and len(severity) > 1:
        names = {one.code: one.label for one in paper.condition.severity}
        code, number = max(((c, n) for c, n in severity.items() if c != "unknown"), key=lambda one: one[1])
        yield (
            f"{percent(number / graded)} of verified, graded cases were one grade ({names[code]}); sensitivity "
            "will differ "
            "where milder or more severe cases are commoner."
        )


def _examiners(paper: Paper) -> Iterator[str]:
    number = next((int(line["value"] or 0) for line in paper.described("examiners")), 0)
    if 0 < number < _FEW_EXAMINERS:
        yield f"Only {counted(number, 'examiner')} took part: the figures speak of their hands, hardly of others'."
    elif number:
        yield f"The figures speak of the {number} examiners of one registry."
    _, _, groups = group_flows(paper)
    few = [group for group in groups if group.examiners is not None and group.examiners < ENOUGH_EXAMINERS]
    if few:
        told = listed([f"{group.examiners} ({paper.group_name(group.group)})" for group in few])
        yield (
            f"With {told} examiners behind the groups, a difference between groups cannot be told from one between "
            "persons; the comparison is descriptive."
        )
    if groups:
        yield "Examiners were not assigned to patients: groups may have seen other patients, and verified others."
    if paper.has_kind("paired"):
        yield "Both tests were done by the same hands, so that the first may have swayed the second."


def _reference(paper: Paper) -> Iterator[str]:
    settled = paper.described("settled_by")
    verified = sum(line["knees"] for line in settled)
    if paper.condition is None:
        return
    test = paper.used_tests()[0]
    flow = flow_of(paper, test)
    if flow.done and flow.done > verified:
        arms = [flow.arm("positive"), flow.arm("negative")]
        shares = [percent((arm.present + arm.absent) / arm.exams) if arm.exams else "none" for arm in arms]
        yield (
            f"{percent(1 - flow.analyzed / max(sum(arm.exams for arm in arms), 1))} of clear findings were never "
            "verified, "
            f"and verification went by the finding ({shares[0]} of positive, {shares[1]} of negative): accuracy in "
            f"verified «nouns» alone is biased{_uncorrected(paper)}; a correction assumes that what decided "
            "verification is on record."
        )
    imaging = [line for line in settled if line["group"] not in paper.condition.taken_as_true]
    if imaging:
        allowed = (
            "bias-adjusted figures allow for its published errors, those of verified «nouns» do not"
            if paper.study.main == "bias_adjusted"
            else "its errors are not allowed for"
        )
        yield (
            f"In {share_of(sum(line['knees'] for line in imaging), verified)} verified «nouns» the reference standard "
            f"was {listed(sorted({paper.modality_name(line['group']) for line in imaging}), 'or')}, which can err; "
            f"{allowed}."
        )
    if imaging and paper.degrees and paper.study.main == "bias_adjusted":
        yield (
            f"The published accuracy is that for any {inside_sentence(paper.condition.name)}; for the degrees that "
            "count as present here it may be another."
        )
    lesser = sum(line["absent"] for line in paper.described("severity")) if paper.degrees else 0
    if lesser:
        yield (
            f"{counted(lesser, '«noun»')} with another degree of it count as without the condition: a positive test "
            "there is a false positive, which lowers specificity."
        )
    knew = next((line["knees"] for line in paper.described("reader_knew") if line["group"] == "yes"), 0)
    if knew:
        yield (
            f"Readers knew the exam in {share_of(knew, verified)} readings: a reader who knows it tends to agree "
            "with it, "
            "which flatters the test."
        )


def _uncorrected(paper: Paper) -> str:
    return ", as the primary result is here" if is_verified_only(paper) else ""


def _precision(paper: Paper) -> Iterator[str]:
    if is_infeasible(paper):
        yield (
            "With the examiners there are, no number of «nouns» reaches the planned power: the absence of a difference "
            "is not shown."
        )
    short = [
        line
        for line in paper.rows("study_size", quantity="in_analysis")
        if line["planned"] is not None and line["reached"] is not None and line["reached"] < line["planned"]
    ]
    for line in short[:1]:
        yield (
            f"The primary analysis has {count(int(line['reached']))} of the {count(int(line['planned']))} "
            f"{whose(paper, line)} planned: where its interval is wide, the absence of a difference is "
            "not shown."
        )
    if paper.condition is not None and any(joint.clear("present") < _FEW_PAIRED for joint in joints_of(paper)):
        yield "Few «nouns» with the condition had both tests."


def _lock(paper: Paper) -> Iterator[str]:
    stands = paper.found.lock_status
    if not stands.prespecified:
        yield "No analysis was pre-specified: its figures raise questions and do not settle them."
    if stands.asked_before:
        yield "The same question was asked before this lock, as page one says: the choice of analyses may owe to it."
    if any(one.key != ASKED_BEFORE for one in stands.deviations):
        yield "The analysis departs from the locked protocol as listed above."
    if paper.study.main == UNCORRECTED and paper.condition is not None:
        yield "The main estimates are not corrected for verification bias."


def is_infeasible(paper: Paper) -> bool:
    """Whether a size was planned for that no number of «nouns» reaches, as where few examiners make the groups."""
    lines = paper.rows("study_size", quantity="in_analysis")
    return bool(lines) and all(line["planned"] is None for line in lines)


def whose(paper: Paper, line: Row) -> str:
    """What a planned number counts."""
    if paper.condition is None:
        return "pairs of exams"
    side = "with" if line["measure"] == "sensitivity" else "without"
    group = "" if line["group"] == "all" else f" ({paper.group_name(line['group'])})"
    return f"verified «nouns» {side} the condition{group}"


def planned_and_reached(paper: Paper) -> str:
    """The size that was planned beside the one that was reached, row by row."""
    lines = paper.rows("study_size")
    rows = [
        {
            "what": _quantity(paper, line),
            "planned": _planned(line),
            "reached": _reached(paper, line),
        }
        for line in lines
    ]
    if not rows:
        return ""
    columns = (Column("what", "Quantity"), Column("planned", "Planned"), Column("reached", "Reached"))
    caption = "Planned size against what was reached; figures of verified «nouns»"
    return table(pl.DataFrame(rows), columns, caption=caption, label=LABEL)


def _quantity(paper: Paper, line: Row) -> str:
    if line["quantity"] == "difference":
        return f"Difference in {measure_name(line['measure'])}, points{_direction(paper)}"
    words = {
        "examined": "Pairs of exams" if paper.condition is None else "«Nouns» examined with the tests",
        "in_analysis": capital(whose(paper, line)),
        "power": "Power for what was planned",
        "lower_limit": "Lower limit",
        "half_width": "Half-width of the interval",
        "expected": _expected(paper, line),
    }[line["quantity"]]
    if line["measure"] in ("all", "kappa") or line["quantity"] in ("in_analysis", "examined", "expected"):
        return words
    return f"{words}, {measure_name(line['measure'])}"


def _expected(paper: Paper, line: Row) -> str:
    """What was expected beforehand: a measure, of the first test or group where two are compared."""
    name, plan = capital(measure_name(line["measure"])), paper.study.planned_size
    if plan.aim == "paired":
        tests = [test.code for test in paper.study.selection.tests if test.code in paper.study.primary[0].tests]
        return f"{name} of {paper.the_test(tests[0])}"
    return f"{name} ({paper.group_name(line['group'])})" if plan.aim == "unpaired" else name


def _direction(paper: Paper) -> str:
    """Which is taken from which in the difference that was planned for."""
    if paper.study.planned_size.aim == "paired":
        tests = [test.code for test in paper.study.selection.tests if test.code in paper.study.primary[0].tests]
        one, other = (paper.test_inside(test) for test in tests[:2])
        return f" ({one} minus {other})"
    first = next(iter(paper.rows("study_size", quantity="expected")), None)
    others = [row["group"] for row in paper.rows("study_size", quantity="in_analysis")]
    if first is None or first["group"] not in others:
        return ""
    other = next(group for group in others if group != first["group"])
    return f" ({paper.group_name(first['group'])} minus {paper.group_name(other)})"


def _planned(line: Row) -> str:
    """The planned number; in words where none was written, or where none is enough."""
    if line["planned"] is None:
        return {"examined": "not stated", "in_analysis": "none is enough"}.get(line["quantity"], DASH)
    if line["quantity"] == "difference":  # two-sided: planned for either direction
        return points(abs(line["planned"])).replace("+", "±")
    return _number(line, line["planned"])


def _reached(paper: Paper, line: Row) -> str:
    """The reached number; no power where no size has any."""
    return DASH if line["quantity"] == "power" and is_infeasible(paper) else _number(line, line["reached"])


def _number(line: Row, value: float | None) -> str:
    if value is None:
        return DASH
    if line["quantity"] == "difference":
        return points(value)
    if line["quantity"] in ("examined", "in_analysis"):
        return count(int(value))
    return f"{value:.2f}" if line["measure"] == "kappa" else percent(value)
