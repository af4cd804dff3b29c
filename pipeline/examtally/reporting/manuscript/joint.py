"""Two index tests on the same «nouns»: how many had both, and both results against the reference."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from examtally.errors import ReportError
from examtally.reporting.engine.numbers import count, counted, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.manuscript.flow import flow_of
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import capital

LABEL = "tbl-joint"
STATUSES = {"present": "Condition present", "absent": "Condition absent", "unsettled": "Not verified"}
CLEAR = ("positive", "negative")


@dataclass(frozen=True)
class Joint:
    """Index exams by the results of two tests; `cells` holds, by status, (result of a, result of b) and how many."""

    test_a: str
    test_b: str
    exams: int
    left_out: tuple[tuple[str, int], ...]
    eligible: int
    not_both: int
    unclear: int
    cells: dict[str, dict[tuple[str, str], int]]

    def clear(self, status: str) -> int:
        """Index exams of one status with both findings clear."""
        return sum(self.cells[status].values())

    @property
    def both(self) -> int:
        """Index exams with both findings clear."""
        return sum(self.clear(status) for status in STATUSES)


def joints_of(paper: Paper) -> list[Joint]:
    """Return the joint flow of every two tests that are compared; ReportError where counts do not add up."""
    pairs = dict.fromkeys((line["test_a"], line["test_b"]) for line in paper.rows("study_pairs"))
    return [_joint(paper, a, b) for a, b in pairs]


def _joint(paper: Paper, test_a: str, test_b: str) -> Joint:
    lines = paper.rows("study_pairs", test_a=test_a, test_b=test_b)
    flow = flow_of(paper, test_a)
    done = [line for line in lines if not {line["result_a"], line["result_b"]} & {"not_done", "not_recorded"}]
    cells = {
        status: {(a, b): _sum(done, condition_status=status, result_a=a, result_b=b) for a in CLEAR for b in CLEAR}
        for status in STATUSES
    }
    made = Joint(
        test_a=test_a,
        test_b=test_b,
        exams=flow.exams,
        left_out=flow.left_out,
        eligible=_sum(lines),
        not_both=_sum(lines) - _sum(done),
        unclear=_sum([line for line in done if "equivocal" in (line["result_a"], line["result_b"])]),
        cells=cells,
    )
    analyzed = max((line["n"] for line in _overall(paper, made, "sensitivity")), default=made.clear("present"))
    if (
        made.eligible != flow.eligible
        or made.both != made.eligible - made.not_both - made.unclear
        or (analyzed != made.clear("present"))
    ):
        raise ReportError(f"the counts of {test_a} and {test_b} do not add up; run the study again")
    return made


def _overall(paper: Paper, made: Joint, measure: str) -> list[Row]:
    return paper.rows(
        "comparisons", maneuver_a=made.test_a, maneuver_b=made.test_b, group_by="overall", measure=measure
    )


def _sum(lines: list[Row], **equal: str) -> int:
    return sum(line["knees"] for line in lines if all(line[name] == value for name, value in equal.items()))


def joint_words(made: Joint) -> str:
    """The joint flow as sentences."""
    verified = made.clear("present") + made.clear("absent")
    return (
        f"Of {counted(made.exams, 'exam')} in the registry, {count(made.eligible)} were eligible index exams "
        "whose time "
        f"for a reference is over. Both tests were done and clear in {share_of(made.both, made.eligible)}; in "
        f"{count(made.not_both)} at least one was not done or not recorded, in {count(made.unclear)} at least one was "
        f"equivocal. {capital(share_of(verified, made.both))} with both tests clear were verified: condition "
        "present in "
        f"{made.clear('present')}, absent in {made.clear('absent')}."
    )


def cross_tabulation(paper: Paper) -> str:
    """Both tests against each other, by the condition; one table for all pairs."""
    made = joints_of(paper)
    rows = [row for joint in made for row in _rows(joint, paper)]
    if not rows:
        return ""
    second = paper.test_inside(made[0].test_b) if len(made) == 1 else "second test"
    columns = (
        Column("first", "First test" if len(made) > 1 else paper.test_name(made[0].test_a)),
        Column("positive", "Positive", capital(second)),
        Column("negative", "Negative", capital(second)),
        Column("all", "All"),
    )
    caption = f"Both tests in the same «nouns», clear findings; condition: {paper.condition_name}"
    return table(pl.DataFrame(rows), columns, caption=caption, group="status", label=LABEL)


def _rows(made: Joint, paper: Paper) -> Iterator[dict[str, str]]:
    both = f"{paper.test_name(made.test_a)} and {paper.test_inside(made.test_b)}: "
    for status, words in STATUSES.items():
        cells = made.cells[status]
        for a in CLEAR:
            counts = {b: cells[a, b] for b in CLEAR}
            yield {
                "status": words if len(joints_of(paper)) == 1 else both + inside_sentence(words),
                "first": capital(a),
                "all": count(sum(counts.values())),
                **{b: count(number) for b, number in counts.items()},
            }
