"""From the exams of the registry to pairs of exams of one knee, for studies of agreement."""

from __future__ import annotations

from dataclasses import dataclass

from examtally.reporting.manuscript.paper import Paper, label

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
    status: str


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
        label(lines[0]["status"]),
    )


def pairs_words(pairs: Pairs, paper: Paper) -> str:
    """The same as sentences."""
    lost = "; ".join(f"{paper.wording.word('reason', reason).lower()} {number}" for reason, number in pairs.left_out)
    first = (
        f"Of {pairs.exams} exams of the registry {pairs.exams - pairs.eligible} were left out"
        + (f" ({lost})" if lost else "")
        + f" and {pairs.eligible} were eligible."
    )
    told = [
        f"{paper.test_name(one.test)}, {one.who}: {one.pairs} pairs of {one.participants} participants."
        for one in pairs.compared
    ]
    return " ".join([first, *told])
