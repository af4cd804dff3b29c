"""The flow of exams as a diagram by the reporting standard, the numbers those of the text."""

from __future__ import annotations

import textwrap

import polars as pl

from examtally.plots.look import style
from examtally.reporting.engine.figures import publish
from examtally.reporting.manuscript.boxes import draw
from examtally.reporting.manuscript.flow import Arm, Flow, flow_of, flow_words
from examtally.reporting.manuscript.pairs import pairs_of, pairs_words
from examtally.reporting.manuscript.paper import Paper

_ORDER = ("positive", "equivocal", "negative")
_WIDEST = 40  # letters in a box of the main line


def diagrams(paper: Paper) -> str:
    """One diagram for each index test; one of the pairs where agreement alone is studied."""
    if paper.condition is None:
        return _of_pairs(paper)
    return "\n".join(_of_test(paper, flow_of(paper, test)) for test in paper.used_tests())


def _of_test(paper: Paper, flow: Flow) -> str:
    name = paper.test_name(flow.test)
    lost = [f"{paper.wording.word('reason', reason)}: {number}" for reason, number in flow.left_out]
    steps = [
        ([f"Exams of the registry: {flow.exams}"], [f"Left out: {flow.exams - flow.eligible}", *lost]),
        (
            [f"Eligible index exams: {flow.eligible}"],
            [f"Test not recorded: {flow.not_recorded}", f"Test not done: {flow.not_done}"],
        ),
        ([*textwrap.wrap(name, _WIDEST), f"done: {flow.done} ({flow.status})"], []),
    ]
    with style():
        figure = draw(steps, [_boxes(flow.arm(result)) for result in _ORDER])
        return publish(
            figure,
            f"flow-{flow.test.replace('_', '-')}",
            caption=f"Flow of exams: {name} ({flow.status}).",
            alt=f"Flow diagram. {flow_words(flow, paper)}",
            data=_data(flow),
        )


def _boxes(arm: Arm) -> list[list[str]]:
    return [
        [f"{arm.result.capitalize()}: {arm.exams}"],
        [f"No reference result: {arm.no_reference}", f"Reference undecided: {arm.inconclusive}"],
        [f"Condition present: {arm.present}", f"Condition absent: {arm.absent}"],
    ]


def _data(flow: Flow) -> pl.DataFrame:
    rows = [
        ("exams of the registry", flow.exams),
        *flow.left_out,
        ("eligible index exams", flow.eligible),
        ("not recorded", flow.not_recorded),
        ("not done", flow.not_done),
    ]
    for result in _ORDER:
        arm = flow.arm(result)
        rows += [
            (result, arm.exams),
            (f"{result}: no reference", arm.no_reference),
            (f"{result}: reference undecided", arm.inconclusive),
            (f"{result}: condition present", arm.present),
            (f"{result}: condition absent", arm.absent),
        ]
    return pl.DataFrame(rows, schema={"box": pl.String(), "exams": pl.Int64()}, orient="row")


def _of_pairs(paper: Paper) -> str:
    pairs = pairs_of(paper)
    lost = [f"{paper.wording.word('reason', reason)}: {number}" for reason, number in pairs.left_out]
    steps = [
        ([f"Exams of the registry: {pairs.exams}"], [f"Left out: {pairs.exams - pairs.eligible}", *lost]),
        ([f"Eligible exams: {pairs.eligible} ({pairs.status})"], []),
    ]
    arms = [
        [[*textwrap.wrap(f"{paper.test_name(one.test)}, {one.who}", 30), f"pairs: {one.pairs}"]]
        for one in pairs.compared
    ]
    rows = [("exams of the registry", pairs.exams), *pairs.left_out, ("eligible exams", pairs.eligible)]
    rows += [(f"pairs: {one.test}, {one.who}", one.pairs) for one in pairs.compared]
    with style():
        figure = draw(steps, arms[:3]) if len(arms) <= 3 else draw([*steps, (["Pairs compared"], _listed(arms))], [])
        return publish(
            figure,
            "flow-pairs",
            caption=f"From the exams of the registry to pairs of exams of one «noun» ({pairs.status}).",
            alt=f"Flow diagram. {pairs_words(pairs, paper)}",
            data=pl.DataFrame(rows, schema={"box": pl.String(), "number": pl.Int64()}, orient="row"),
        )


def _listed(arms: list[list[list[str]]]) -> list[str]:
    return [line for (lines,) in arms for line in (" ".join(lines[:-1]), f"    {lines[-1]}")]
