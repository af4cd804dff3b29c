"""How the exams of the registry came to the table of a test: counted once, for text, table and figure alike."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from examtally.errors import ReportError
from examtally.reporting.engine.numbers import count, counted, percent, share_of
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import capital

_NOT_INDEX = "not_index_exam"
_OPEN = "window_open"


@dataclass(frozen=True)
class Arm:
    """Exams with one kind of finding, and what the reference said of them."""

    result: str
    exams: int
    no_reference: int
    inconclusive: int
    present: int
    absent: int


@dataclass(frozen=True)
class Flow:
    """The way of every exam of the registry to the table of one index test; `left_out` by reason, none of them 0."""

    test: str
    exams: int
    left_out: tuple[tuple[str, int], ...]
    eligible: int
    not_recorded: int
    not_done: int
    arms: tuple[Arm, ...]
    analyzed: int

    @property
    def done(self) -> int:
        """Index exams with a finding."""
        return sum(arm.exams for arm in self.arms)

    def arm(self, result: str) -> Arm:
        """The arm of one result."""
        return next(arm for arm in self.arms if arm.result == result)


def flow_of(paper: Paper, test: str) -> Flow:
    """Return the flow of an index test; ReportError where the tables of the results do not add up."""
    lines = paper.rows("flow", maneuver=test)
    (tally,) = paper.rows("tallies", maneuver=test, group_by="overall")
    by_reason = {line["reason"]: line["exams"] for line in lines}
    left_out = tuple(
        (line["reason"], line["exams"])
        for line in lines
        if (line["step"] == "eligibility" or line["reason"] in (_NOT_INDEX, _OPEN)) and line["exams"]
    )
    exams = sum(by_reason.values())
    made = Flow(
        test=test,
        exams=exams,
        left_out=left_out,
        eligible=exams - sum(number for _, number in left_out),
        not_recorded=by_reason["not_recorded"],
        not_done=by_reason["not_done"],
        arms=tuple(arms_of(tally)),
        analyzed=by_reason["analysed"],
    )
    _check(made, paper, tally, by_reason["equivocal"])
    return made


def arms_of(tally: Row) -> Iterator[Arm]:
    """The findings of a row of tallies, by result."""
    for result, right, wrong in (("positive", "tp", "fp"), ("negative", "fn", "tn")):
        yield Arm(
            result,
            tally[result],
            tally[f"unverified_{result}"],
            tally[f"indeterminate_{result}"],
            tally[right],
            tally[wrong],
        )
    settled = tally["equivocal_present"] + tally["equivocal_absent"]
    yield Arm(
        "equivocal",
        tally["equivocal"],
        tally["equivocal"] - settled,
        0,
        tally["equivocal_present"],
        tally["equivocal_absent"],
    )


def _check(made: Flow, paper: Paper, tally: Row, equivocal: int) -> None:
    """Hold the flow, the tallies and the population against each other."""
    clear = [made.arm("positive"), made.arm("negative")]
    sums = (
        made.exams == sum(line["exams"] for line in paper.rows("study_population")),
        made.eligible == made.not_recorded + made.not_done + made.done,
        made.analyzed == sum(arm.present + arm.absent for arm in clear) == tally["verified"],
        all(arm.exams == arm.no_reference + arm.inconclusive + arm.present + arm.absent for arm in made.arms),
        made.arm("equivocal").exams == equivocal,
    )
    if not all(sums):
        raise ReportError(f"the counts of {made.test} do not add up; run the study again")


def flow_words(made: Flow, paper: Paper) -> str:
    """The flow as the sentences of the Results."""
    name = capital(paper.the_test(made.test))
    clear = made.arm("positive").exams + made.arm("negative").exams
    parts = [
        f"Of {counted(made.exams, 'exam')} in the registry, {count(made.eligible)} were eligible index exams whose "
        f"time for a reference is over. {name} was done in {count(made.done)} "
        f"({percent(made.done / max(made.eligible, 1))}).",
        *(
            f"It was {arm.result} in {count(arm.exams)}: condition present in {arm.present}, absent in "
            f"{arm.absent}, no "
            f"usable reference in {arm.no_reference + arm.inconclusive}."
            for arm in made.arms
            if arm.exams
        ),
        f"The table of the test holds {share_of(made.analyzed, clear)} clear findings.",
    ]
    return " ".join(parts)
