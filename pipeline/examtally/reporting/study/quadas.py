"""The four domains by which a reviewer judges a study of accuracy, with what the records say to each."""

from __future__ import annotations

import polars as pl

from examtally.reporting.numbers import listed, share_of
from examtally.reporting.study.flow import flow_of
from examtally.reporting.study.paper import TO_COMPLETE, Paper
from examtally.reporting.tables import Column, table
from examtally.studies.standing import PRESPECIFIED


def domains(paper: Paper) -> str:
    """Patient selection, index test, reference standard, flow and timing; the judgement stays the author's."""
    if paper.condition is None:
        return "Agreement alone is studied: the domains, which judge accuracy, do not apply."
    rows = [
        {"domain": name, "known": known, "judgement": TO_COMPLETE.strip("[]")}
        for name, known in (
            ("Patient selection", _selection(paper)),
            ("Index test", _index_test(paper)),
            ("Reference standard", _reference(paper)),
            ("Flow and timing", _timing(paper)),
        )
    ]
    columns = (
        Column("domain", "Domain"),
        Column("known", "What the records say", words=True),
        Column("judgement", "Risk of bias and applicability", words=True),
    )
    return table(pl.DataFrame(rows), columns, caption="QUADAS-2 domains")


def _selection(paper: Paper) -> str:
    counts = paper.rows("study_population")
    whole = sum(line["exams"] for line in counts)
    inside = next(line["exams"] for line in counts if line["place"] == 0)
    return (
        f"{share_of(inside, whole)} exams of the registry lie in the declared population. One index exam an episode, "
        "the first eligible one, whatever it found; no case-control sampling."
    )


def _index_test(paper: Paper) -> str:
    fixed = all(paper.found.standing.status(one.name) == PRESPECIFIED for one in paper.study.primary)
    rule = "fixed before the results" if fixed else "not fixed before the results"
    known = (
        "exams whose examiner is recorded to have known the reference are left out"
        if paper.study.protocol.eligibility.exclude_reference_known
        else "the examiner may have known the reference"
    )
    return f"Positivity rules were {rule}; {known}."


def _reference(paper: Paper) -> str:
    assert paper.condition is not None
    accepted = [one.replace("_", " ") for one in paper.study.protocol.reference.accepted[paper.condition.code]]
    blind = paper.study.protocol.reference.blinded_readers_only
    reader = "readers are recorded not to have known the exam" if blind else "readers may have known the exam"
    return f"Settled by {listed(accepted, 'or')}; {reader}."


def _timing(paper: Paper) -> str:
    assert paper.condition is not None
    first, last = paper.study.protocol.windows[paper.condition.code]
    told = []
    for test in paper.used_tests():
        flow = flow_of(paper, test)
        clear = flow.arm("positive").exams + flow.arm("negative").exams
        told.append(
            f"{paper.test_name(test)}: {share_of(flow.analyzed, clear)} clear findings have a usable reference"
            + "".join(
                f", {share_of(arm.present + arm.absent, arm.exams)} {arm.result} ones"
                for arm in (flow.arm("positive"), flow.arm("negative"))
            )
        )
    return f"References from day {first} to day {last} after the exam. {'; '.join(told)}."
