"""From the exams of the registry to pairs of exams of one knee, for studies of agreement."""

from __future__ import annotations

from dataclasses import dataclass

from examtally.reporting.engine.numbers import count, counted
from examtally.reporting.manuscript.paper import Paper
from examtally.reporting.manuscript.values import capital

WHO = {
    "overall": "any two examiners",
    "learner_supervisor": "learner and supervisor",
    "same_examiner": "one examiner twice",
}


@dataclass(frozen=True)
class IndexTestPairs:
    """The pairs of one index test; `who` says whose exams make one."""

    test: str
    who: str
    pairs: int
    participants: int


@dataclass(frozen=True)
class Pairs:
    """Exams of the registry, why some were left out, and the pairs that the rest make."""

    exams: int
    left_out: tuple[tuple[str, int], ...]
    eligible: int
    compared: tuple[IndexTestPairs, ...]


def pairs_of(paper: Paper) -> Pairs:
    """Return the way to the pairs; every test of a study has the same exams behind it."""
    lines = paper.rows("flow", maneuver=paper.used_tests()[0])
    left_out = tuple(
        (line["reason"], line["exams"]) for line in lines if line["step"] == "eligibility" and line["exams"]
    )
    exams = sum(line["exams"] for line in lines)
    compared = {
        (line["maneuver"], line["group_by"]): IndexTestPairs(
            line["maneuver"], WHO[line["group_by"]], line["pairs"], line["participants"]
        )
        for line in paper.rows("agreement")
        if line["group_by"] in WHO
    }
    return Pairs(
        exams,
        left_out,
        exams - sum(number for _, number in left_out),
        tuple(compared.values()),
    )


def pairs_words(pairs: Pairs, paper: Paper) -> str:
    """The same as sentences."""
    told = [
        f"{capital(paper.the_test(one.test))} has {counted(one.pairs, 'pair')} of {one.who}, from "
        f"{counted(one.participants, 'participant')}."
        for one in pairs.compared
    ]
    first = f"Of {counted(pairs.exams, 'exam')} in the registry, {count(pairs.eligible)} were eligible."
    return " ".join([first, *told])
