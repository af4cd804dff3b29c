"""The flow of exams as a diagram by the reporting standard, the numbers those of the text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import polars as pl

from examtally.plots.look import style
from examtally.reporting.engine.figures import publish
from examtally.reporting.manuscript.arms import GroupFlow, group_flows
from examtally.reporting.manuscript.boxes import draw
from examtally.reporting.manuscript.flow import Arm, Flow, flow_of, flow_words
from examtally.reporting.manuscript.joint import CLEAR, STATUSES, Joint, joint_words, joints_of
from examtally.reporting.manuscript.pairs import pairs_of, pairs_words
from examtally.reporting.manuscript.paper import Paper
from examtally.reporting.manuscript.values import capital

_ORDER = ("positive", "equivocal", "negative")
_WIDEST = 40  # letters in a box of the main line
_MOST_GROUPS = 4  # beside each other
_SHORT = {"positive": "pos.", "negative": "neg."}


def diagrams(paper: Paper) -> str:
    """The flow of pairs of tests or of groups where they are compared, else of each index test; of pairs of exams."""
    if paper.condition is None:
        return _of_pairs(paper)
    joints = joints_of(paper)
    test, _, groups = group_flows(paper)
    shown = {test for joint in joints for test in (joint.test_a, joint.test_b)}
    parts = [_of_joint(paper, joint) for joint in joints]
    if groups and len(groups) <= _MOST_GROUPS and test not in shown:
        parts.append(_of_groups(paper, flow_of(paper, test), groups))
        shown.add(test)
    parts += [_of_test(paper, flow_of(paper, test)) for test in paper.used_tests() if test not in shown]
    return "\n".join(parts)


def _left_out(paper: Paper, exams: int, eligible: int, reasons: Sequence[tuple[str, int]]) -> list[str]:
    return [
        f"Left out: {exams - eligible}",
        *(f"{paper.wording.word('reason', reason)}: {number}" for reason, number in reasons),
    ]


def _of_test(paper: Paper, flow: Flow) -> str:
    name = paper.test_name(flow.test)
    steps = [
        (
            [f"Exams in the registry: {flow.exams}"],
            _left_out(paper, flow.exams, flow.eligible, flow.left_out),
        ),
        (
            [f"Eligible index exams: {flow.eligible}"],
            [f"Test not recorded: {flow.not_recorded}", f"Test not done: {flow.not_done}"],
        ),
        ([*textwrap.wrap(name, _WIDEST), f"done: {flow.done}"], []),
    ]
    rows = [
        *_first_rows(flow.exams, flow.left_out, flow.eligible),
        ("not recorded", flow.not_recorded),
        ("not done", flow.not_done),
        *(row for result in _ORDER for row in _arm_rows(result, flow.arm(result))),
    ]
    with style():
        figure = draw(steps, [_boxes(flow.arm(result)) for result in _ORDER])
        return publish(
            figure,
            _name(flow.test),
            caption=f"Flow of exams: {paper.test_inside(flow.test)}.",
            alt=f"Flow diagram. {flow_words(flow, paper)}",
            data=_frame(rows),
        )


def _boxes(arm: Arm) -> list[list[str]]:
    return [
        [f"{arm.result.capitalize()}: {arm.exams}"],
        [f"No reference result: {arm.no_reference}", f"Reference undecided: {arm.inconclusive}"],
        [f"Condition present: {arm.present}", f"Condition absent: {arm.absent}"],
    ]


def _of_joint(paper: Paper, made: Joint) -> str:
    first, second = (paper.test_inside(test) for test in (made.test_a, made.test_b))
    steps = [
        ([f"Exams in the registry: {made.exams}"], _left_out(paper, made.exams, made.eligible, made.left_out)),
        (
            [f"Eligible index exams: {made.eligible}"],
            [f"A test not done or not recorded: {made.not_both}", f"A test equivocal: {made.unclear}"],
        ),
        ([f"Both tests clear: {made.both}"], []),
    ]
    arms = [
        [
            [f"{words}: {made.clear(status)}"],
            [f"A {_SHORT[a]}, B {_SHORT[b]}: {made.cells[status][a, b]}" for a in CLEAR for b in CLEAR],
        ]
        for status, words in STATUSES.items()
    ]
    rows = [
        *_first_rows(made.exams, made.left_out, made.eligible),
        ("a test not done or not recorded", made.not_both),
        ("a test equivocal", made.unclear),
        *((f"{status}: A {a}, B {b}", made.cells[status][a, b]) for status in STATUSES for a in CLEAR for b in CLEAR),
    ]
    with style():
        return publish(
            draw(steps, arms),
            _name(f"{made.test_a}-{made.test_b}"),
            caption=f"Flow of exams to both tests and the reference. A: {first}; B: {second}.",
            alt=f"Flow diagram. {joint_words(made)}",
            data=_frame(rows),
        )


def _of_groups(paper: Paper, flow: Flow, groups: Sequence[GroupFlow]) -> str:
    name = paper.test_inside(flow.test)
    others = flow.eligible - sum(group.eligible for group in groups)
    beside = [f"In no group that is compared: {others}"] if others else []
    steps = [
        ([f"Exams in the registry: {flow.exams}"], _left_out(paper, flow.exams, flow.eligible, flow.left_out)),
        ([f"Eligible index exams: {flow.eligible}"], beside),
    ]
    arms = [_group_boxes(paper, group) for group in groups]
    rows = _first_rows(flow.exams, flow.left_out, flow.eligible)
    for group in groups:
        rows += [(f"{group.group}: eligible", group.eligible), (f"{group.group}: done", group.done)]
        rows += [(f"{group.group}, {what}", n) for result in _ORDER for what, n in _arm_rows(result, group.arm(result))]
    with style():
        return publish(
            draw(steps, arms),
            _name(f"{flow.test}-groups"),
            caption=f"Flow of exams by group: {name}.",
            alt=f"Flow diagram. {flow_words(flow, paper)}",
            data=_frame(rows),
        )


def _group_boxes(paper: Paper, flow: GroupFlow) -> list[list[str]]:
    by = [f"Examiners: {flow.examiners}"] if flow.examiners is not None else []
    arms = [flow.arm(result) for result in _ORDER]
    return [
        [f"{capital(paper.group_name(flow.group))}: {flow.eligible}", *by, f"Test done: {flow.done}"],
        [f"{arm.result.capitalize()}: {arm.exams}" for arm in arms],
        [f"{arm.result.capitalize()}, verified: {arm.present + arm.absent}" for arm in arms],
        [
            f"Condition present: {sum(arm.present for arm in arms)}",
            f"Condition absent: {sum(arm.absent for arm in arms)}",
        ],
    ]


def _first_rows(exams: int, left_out: Sequence[tuple[str, int]], eligible: int) -> list[tuple[str, int]]:
    return [("exams in the registry", exams), *left_out, ("eligible index exams", eligible)]


def _arm_rows(result: str, arm: Arm) -> list[tuple[str, int]]:
    return [
        (result, arm.exams),
        (f"{result}: no reference", arm.no_reference),
        (f"{result}: reference undecided", arm.inconclusive),
        (f"{result}: condition present", arm.present),
        (f"{result}: condition absent", arm.absent),
    ]


def _frame(rows: Sequence[tuple[str, int]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema={"box": pl.String(), "exams": pl.Int64()}, orient="row")


def _name(of: str) -> str:
    return f"flow-{of.replace('_', '-')}"


def _of_pairs(paper: Paper) -> str:
    pairs = pairs_of(paper)
    steps = [
        ([f"Exams in the registry: {pairs.exams}"], _left_out(paper, pairs.exams, pairs.eligible, pairs.left_out)),
        ([f"Eligible exams: {pairs.eligible}"], []),
    ]
    arms = [
        [[*textwrap.wrap(f"{paper.test_name(one.test)}, {one.who}", 30), f"pairs: {one.pairs}"]]
        for one in pairs.compared
    ]
    rows = _first_rows(pairs.exams, pairs.left_out, pairs.eligible)
    rows += [(f"pairs: {one.test}, {one.who}", one.pairs) for one in pairs.compared]
    with style():
        figure = draw(steps, arms[:3]) if len(arms) <= 3 else draw([*steps, (["Pairs compared"], _listed(arms))], [])
        return publish(
            figure,
            "flow-pairs",
            caption="From the exams in the registry to pairs of exams of one «noun».",
            alt=f"Flow diagram. {pairs_words(pairs, paper)}",
            data=_frame(rows),
        )


def _listed(arms: list[list[list[str]]]) -> list[str]:
    return [line for (lines,) in arms for line in (" ".join(lines[:-1]), f"    {lines[-1]}")]
