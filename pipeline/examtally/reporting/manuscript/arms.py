"""Groups that are compared, side by side: their flow, and who of them was verified."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from examtally.reporting.engine.numbers import count, counted, listed, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.flow import Arm, arms_of
from examtally.reporting.manuscript.paper import Paper
from examtally.reporting.manuscript.values import capital

LABEL = "tbl-arms"


@dataclass(frozen=True)
class GroupFlow:
    """One group of a comparison: its index exams, those in which the test was done, and its findings."""

    group: str
    eligible: int
    done: int
    examiners: int | None
    arms: tuple[Arm, ...]

    def arm(self, result: str) -> Arm:
        """The findings of one result."""
        return next(arm for arm in self.arms if arm.result == result)

    def with_condition(self) -> tuple[int, int]:
        """Clear findings with and without the condition."""
        clear = (self.arm("positive"), self.arm("negative"))
        return sum(arm.present for arm in clear), sum(arm.absent for arm in clear)


def group_flows(paper: Paper) -> tuple[str, str, list[GroupFlow]]:
    """Return the test, what makes the groups, and their flows in order, of the first comparison of groups.

    Only groups that are compared; all of them where the comparison names none. Empty where there is no comparison.
    """
    one = next((one for one in paper.study.analyses if one.kind == "by_group"), None)
    if one is None or one.group_by is None:
        return "", "", []
    group_by, test = one.group_by, one.tests[0]
    pairs = paper.rows("interactions", group_by=group_by, maneuver=test)
    compared = {line[side] for line in pairs for side in ("group_a", "group_b")}
    behind = {line["group"]: line["value"] for line in paper.rows("cohort_summary", item=f"examiners_by_{group_by}")}
    flows = [
        GroupFlow(
            group=line["group"],
            eligible=line["exams"] + line["not_recorded"],
            done=line["done"],
            examiners=int(behind[line["group"]]) if line["group"] in behind else None,
            arms=tuple(arms_of(line)),
        )
        for line in paper.rows("tallies", maneuver=test, group_by=group_by)
        if not compared or line["group"] in compared
    ]
    return test, group_by, sorted(flows, key=lambda flow: paper.place(group_by, flow.group))


def verification(paper: Paper) -> str:
    """Who was verified in each group, by the result of the test."""
    test, group_by, flows = group_flows(paper)
    if not flows:
        return ""
    rows = [
        {
            "group": capital(paper.group_name(flow.group)),
            "eligible": count(flow.eligible),
            "done": share_of(flow.done, flow.eligible),
            "positive": _verified(flow.arm("positive")),
            "negative": _verified(flow.arm("negative")),
            "present": _prevalence(flow),
        }
        | ({"examiners": str(flow.examiners)} if flow.examiners is not None else {})
        for flow in flows
    ]
    columns = [
        Column("group", capital(paper.grouping_name(group_by))),
        Column("eligible", "Eligible index exams"),
        Column("done", "Test done"),
        Column("positive", "Positive", "Verified, by result"),
        Column("negative", "Negative", "Verified, by result"),
        Column("present", "Condition present, of verified with a clear finding"),
    ]
    if all("examiners" in row for row in rows):
        columns.insert(1, Column("examiners", "Examiners"))
    caption = f"Flow and verification of {paper.the_test(test)}, by group"
    return table(pl.DataFrame(rows), columns, caption=caption, label=LABEL)


def others_words(paper: Paper) -> str:
    """Groups that take part in the study and not in its comparison; nothing where all are compared."""
    test, group_by, flows = group_flows(paper)
    compared = {flow.group for flow in flows}
    others = [
        line
        for line in paper.rows("tallies", maneuver=test, group_by=group_by)
        if line["group"] not in compared and line["done"]
    ]
    if not flows or not others:
        return ""
    others.sort(key=lambda line: paper.place(group_by, line["group"]))
    told = listed([f"{paper.group_name(line['group'])}, {counted(line['done'], '«noun»')}" for line in others])
    between = listed([paper.group_name(flow.group) for flow in flows])
    return (
        f"The comparison was declared between {between}. Other groups by {paper.grouping_name(group_by)} ({told}) "
        "take part in the figures of everybody and stay out of it."
    )


def _verified(arm: Arm) -> str:
    return share_of(arm.present + arm.absent, arm.exams)


def _prevalence(flow: GroupFlow) -> str:
    present, absent = flow.with_condition()
    return share_of(present, present + absent)
