"""Who was studied, and where every exam of the registry ended."""

from __future__ import annotations

import polars as pl
from matplotlib.axes import Axes

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.contracts.results import result_codes
from examtally.plots.look import ABSENT, GREY, PRESENT, bare, style
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import count, counted, percent
from examtally.reporting.engine.tables import Column, download, table, tabs

_OF_PEOPLE = ("age_band", "sex")
_ROW = 0.27  # inches a bar


def sentence(audit: Audit) -> str:
    """What the registry holds and what of it can count, in plain sentences."""
    exams = audit.summed("exams")
    if not exams:
        return "No exam is on record."
    parts = [
        f"Of {counted(exams, 'exam')}, {count(audit.summed('index_exams'))} can count toward accuracy for some "
        f"condition, in {counted(audit.summed('index_participants'), 'person', 'people')}; for one alone it may be a "
        "few fewer."
    ]
    compared = audit.summed("comparison_exams")
    if compared:
        parts.append(
            f"{counted(compared, 'exam')} of the other «noun», examined to compare, never count: such «a noun» is "
            "hardly ever imaged and would flatter specificity."
        )
    ties = audit.summed("index_ties")
    if ties:
        parts.append(f"{counted(ties, 'exam')} had another as early beside it: the tie was broken by a preset rule.")
    return " ".join(parts)


def who(audit: Audit) -> str:
    """A table of the people and exams that can count: one row a property, its groups with number and share."""
    of_exams = ("role", "setting", "acuity", *audit.catalogue.coded, "guarding")
    rows = [
        {"kind": kind, "about": audit.wording.word("group_by", item), "groups": "; ".join(spread)}
        for kind, items in (("People", _OF_PEOPLE), ("Exams", of_exams))
        for item in items
        if (spread := _spread(audit, item))
    ]
    if not rows:
        return ""
    columns = (Column("about", "What"), Column("groups", "Number and share", words=True))
    return table(pl.DataFrame(rows), columns, caption="What can count toward accuracy", group="kind")


def flow_table(audit: Audit) -> str:
    """For every main maneuver, at which step the exams of the registry ended."""
    flow = audit.table("flow")
    if flow.is_empty() or not audit.summed("exams"):
        return ""
    steps = list(result_codes()["step"])
    counts = {
        (row["condition"], row["maneuver"], row["step"]): row["exams"]
        for row in flow.group_by("condition", "maneuver", "step").agg(pl.col("exams").sum()).iter_rows(named=True)
    }
    rows = []
    for condition in (item for item in audit.settled if item.core or item in audit.reportable):
        for maneuver in audit.core_maneuvers(condition):
            ends = {step: counts.get((condition.code, maneuver.code, step), 0) for step in steps}
            words = {step: count(number) for step, number in ends.items()}
            rows.append({"maneuver": f"{maneuver.name}\n{condition.name}", "all": count(sum(ends.values()))} | words)
    columns = (
        Column("maneuver", "Maneuver"),
        Column("all", "All exams"),
        *(Column(step, audit.wording.word("step", step)) for step in steps),
    )
    text = table(pl.DataFrame(rows), columns, caption="Where every exam of the registry ended", label="tbl-flow")
    text = f"@tbl-flow shows where every exam ended.\n{text}"
    return text + download(flow.select("condition", "maneuver", "step", "reason", "exams", "participants"), "flow")


def flow_figures(audit: Audit) -> str:
    """Tabs with the flow of one main maneuver of each core condition."""
    panels = [
        f"### {condition.name}\n\n{_flow_figure(audit, condition, maneuver)}"
        for condition in audit.settled
        if condition.core
        for maneuver in audit.core_maneuvers(condition)[:1]
        if sum(audit.ends(condition.code, maneuver.code).values())
    ]
    return tabs(panels)


def _flow_figure(audit: Audit, condition: Condition, maneuver: Maneuver) -> str:
    """A stair of bars: what is left after each reason, and what the reason took."""
    ends = audit.ends(condition.code, maneuver.code)
    total = sum(ends.values())
    left = total
    stairs: list[tuple[str, int, int]] = []
    for reason in result_codes()["reason"]:
        taken = ends.get(reason, 0)
        if reason == "analysed" or not taken:
            continue
        left -= taken
        stairs.append((audit.wording.word("reason", reason), left, taken))
    kept = ends.get("analysed", 0)
    height = _ROW * (len(stairs) + 2) + 0.15
    with style():
        figure = paper(height)
        axes = bare(figure.add_axes((0.43, 0.02, 0.45, 0.96)), keep="left")
        axes.set_xlim(0, total)
        axes.set_ylim(len(stairs) + 1.6, -0.6)
        axes.set_xticks([])
        names = [
            "Every exam of the registry",
            *(name for name, _, _ in stairs),
            audit.wording.word("reason", "analysed"),
        ]
        axes.set_yticks(range(len(names)), names, fontsize=9)
        axes.barh(0, total, height=0.62, color=GREY)
        _beside(axes, total, 0, count(total))
        for place, (_, remains, taken) in enumerate(stairs, start=1):
            axes.barh(
                place, taken, left=remains, height=0.62, color="white", edgecolor=ABSENT, hatch="////", linewidth=0.8
            )
            _beside(axes, remains + taken, place, f"−{count(taken)}")
        axes.barh(len(stairs) + 1, kept, height=0.62, color=PRESENT)
        _beside(axes, kept, len(stairs) + 1, count(kept))
        lost = "; ".join(f"{name.lower()} {count(taken)}" for name, _, taken in stairs)
        return publish(
            figure,
            f"flow-{condition.code}",
            caption=f"From every exam to those counted: {maneuver.name}, {condition.name}.",
            alt=f"Flow for {maneuver.name}: of {count(total)} exams {count(kept)} are counted; left out: {lost}.",
            data=audit.table("flow").filter(condition=condition.code, maneuver=maneuver.code).select("reason", "exams"),
        )


def _beside(axes: Axes, x: float, y: float, text: str) -> None:
    axes.annotate(text, (x, y), xytext=(4, 0), textcoords="offset points", va="center", fontsize=9)


def _spread(audit: Audit, item: str) -> list[str]:
    groups = [group for group in audit.groups(item) if audit.summed(item, group)]
    whole = sum(audit.summed(item, group) for group in groups)
    counts = {audit.group_name(item, group): audit.summed(item, group) for group in groups}
    return [f"{name}: {count(number)} ({percent(number / whole)})" for name, number in counts.items()]
