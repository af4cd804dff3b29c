"""What a grade, an end point, pain or a measure says beyond positive and negative."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.plots.look import GREY, INK, PRESENT, RULE, bare, style
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.aims import AIMS, fold
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import counted, percent, percent_range, ratio, ratio_range, share_of
from examtally.reporting.engine.tables import Column, download, table

_SCALES = {
    "grade": "grade",
    "end_point": "end point",
    "pain": "pain",
    "sign": "sign",
    "measure": "measure",
    "side_difference": "difference from a normal other «noun»",
}
_MARKERS = ("o", "s", "^", "D", "v", "P")
_SHADES = (PRESENT, "#a34a00", INK, "#4b6b2a", "#7a3b69", GREY)
_LEVEL_COLUMNS = (
    Column("level", "Level"),
    Column("lr", "Likelihood ratio"),
    Column("step", "Against the level before"),
    Column("present", "With the condition"),
    Column("absent", "Without it"),
)
_RULE_COLUMNS = (
    Column("rule", "Positive if"),
    Column("sensitivity", "Sensitivity"),
    Column("specificity", "Specificity"),
)
_STEP = ("step", "step_low", "step_high")
_VERIFIED = AIMS["none"].name
_READ = (
    "*Against the level before*: how many times the odds change from one level to the next, where each holds "
    "{fewest} or more; a range that holds 1 means that the two levels may say the same."
)


def graded_block(audit: Audit, condition: Condition) -> str:
    """Levels, thresholds and the curve of one condition; empty where nothing graded has enough people."""
    levels = _usable_levels(audit, condition)
    if not levels:
        return ""
    core = {maneuver.code for maneuver in audit.core_maneuvers(condition)}
    graded = [row for row in levels if row["scale"] == "grade"]
    first = [row for row in graded if row["maneuver"] in core] or graded
    rest = [row for row in levels if row not in first]
    read = _READ.format(fewest=counted(audit.min_participants, "«noun»"))
    beneath = (
        "" if first else read,
        _levels_table(audit, condition, rest) if rest else "",
        _curve(audit, condition),
        _rules(audit, condition),
    )
    inner = "\n\n".join(part.strip("\n") for part in beneath if part)
    kept = pl.DataFrame(levels, infer_schema_length=None).drop("condition", "status")
    parts = [
        _grades_in_words(audit, levels),
        read if first else "",
        (_levels_table(audit, condition, first) if first else "") + download(kept, f"levels-{condition.code}"),
        fold("Other maneuvers, end points, pain, signs and other thresholds", f"\n{inner}\n") if inner else "",
    ]
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _usable_levels(audit: Audit, condition: Condition) -> list[dict[str, Any]]:
    """Rows of levels with enough people on both sides, in catalogue order; no step between levels of few knees."""
    rows = audit.table("level_ratios").filter(condition=condition.code)
    kept = [row for row in rows.iter_rows(named=True) if row["flag"] != "too_few"]
    order = list(audit.catalogue.maneuvers)
    kept.sort(key=lambda row: (order.index(row["maneuver"]), list(_SCALES).index(row["scale"]), row["place"]))
    behind = [row["present"] + row["absent"] for row in kept]
    for place, row in enumerate(kept):
        if min(behind[max(place - 1, 0)], behind[place]) < audit.min_participants:
            row |= dict.fromkeys(_STEP)
    return kept


def _grades_in_words(audit: Audit, levels: Sequence[Mapping[str, Any]]) -> str:
    """What grade 2 means against grade 1, for each maneuver that has both."""
    lines = [
        f"- **{audit.catalogue.maneuvers[row['maneuver']].name}**, grade {row['level']} against grade "
        f"{int(row['level']) - 1}: the odds of the condition are {ratio(row['step'])} times as high "
        f"({ratio_range(row['step_low'], row['step_high'])})"
        f"{'; the two may say the same' if row['step_low'] <= 1 <= row['step_high'] else ''}."
        for row in levels
        if row["scale"] == "grade" and row["place"] == 2 and None not in (row[name] for name in _STEP)
    ]
    return "\n".join(lines)


def _levels_table(audit: Audit, condition: Condition, levels: Sequence[Mapping[str, Any]]) -> str:
    rows = [
        {
            "scale": f"{audit.catalogue.maneuvers[row['maneuver']].name}: {_SCALES[row['scale']]}",
            "level": _level(row),
            "present": share_of(row["present"], row["present_all"]),
            "absent": share_of(row["absent"], row["absent_all"]),
            "lr": f"{ratio(row['lr'])}\n{ratio_range(row['ci_low'], row['ci_high'])}",
            "step": ""
            if row["step"] is None
            else f"{ratio(row['step'])}\n{ratio_range(row['step_low'], row['step_high'])}",
        }
        for row in levels
    ]
    caption = f"{condition.name}: what each level means, {_VERIFIED}, 95% interval beneath"
    return table(pl.DataFrame(rows), _LEVEL_COLUMNS, caption=caption, group="scale")


def _level(row: Mapping[str, Any]) -> str:
    """A level with the catalogue's words beneath."""
    if row["scale"] == "grade":
        return f"{row['level']}\n{row['label']}"
    return str(row["label"] or row["level"])


def _curve(audit: Audit, condition: Condition) -> str:
    """The curve of every graded maneuver with an area, each point a grade."""
    areas = {
        row["maneuver"]: row
        for row in audit.table("auc").filter(condition=condition.code, scale="grade").iter_rows(named=True)
        if row["flag"] is None and row["estimate"] is not None
    }
    drawn = [code for code in audit.catalogue.maneuvers if code in areas][: len(_MARKERS)]
    if not drawn:
        return ""
    points = audit.table("roc").filter(pl.col("maneuver").is_in(drawn), condition=condition.code, scale="grade")
    names = {code: audit.catalogue.maneuvers[code].name for code in drawn}
    said = {
        code: f"{names[code]}: {percent(areas[code]['estimate'])} "
        f"({percent_range(areas[code]['ci_low'], areas[code]['ci_high'])})"
        for code in drawn
    }
    with style():
        figure = paper(4.1 + 0.24 * len(drawn))
        height = 4.1 + 0.24 * len(drawn)
        axes = bare(figure.add_axes((0.18, 1 - 3.55 / height, 0.76, 3.2 / height)))
        axes.plot([0, 1], [0, 1], color=RULE, linewidth=0.8)
        for code, marker, shade in zip(drawn, _MARKERS, _SHADES, strict=False):
            rows = points.filter(maneuver=code).sort("threshold", descending=True)
            x, y = [0.0, *(1 - rows["specificity"]).to_list()], [0.0, *rows["sensitivity"].to_list()]
            face = shade if marker == "o" else "white"
            axes.plot(
                x, y, marker=marker, color=shade, markerfacecolor=face, markersize=5, linewidth=1.4, label=said[code]
            )
        axes.set_xlim(-0.02, 1.02)
        axes.set_ylim(-0.02, 1.02)
        axes.set_xticks([0, 0.5, 1], ["0", "50", "100%"])
        axes.set_yticks([0, 0.5, 1], ["0", "50", "100%"])
        axes.set_xlabel("called positive without the condition")
        axes.set_ylabel("called positive with it")
        figure.legend(loc="lower left", bbox_to_anchor=(0.05, 0.0), frameon=False, fontsize=9)
        caption = (
            f"{condition.name}, {_VERIFIED}: each point is a grade from which on a finding counts as positive, "
            "the highest grade nearest to the corner at the lower left. Beside each name, how often «a noun» with the "
            "condition has the higher grade than one without (50% is chance)."
        )
        alt = f"Curves of sensitivity against false positives by grade. {'; '.join(said.values())}."
        columns = ("maneuver", "threshold", "rule", "tp", "fp", "fn", "tn", "sensitivity", "specificity")
        return publish(figure, f"curve-{condition.code}", caption=caption, alt=alt, data=points.select(columns))


def _rules(audit: Audit, condition: Condition) -> str:
    """Thresholds and rules of their own: sign against pain, end points, measures."""
    order = list(audit.catalogue.maneuvers)
    found = audit.table("roc").filter(condition=condition.code)
    kept = [
        row
        for row in found.iter_rows(named=True)
        if row["flag"] is None and 0 < row["tp"] + row["fp"] < row["tp"] + row["fp"] + row["fn"] + row["tn"]
    ]
    kept.sort(key=lambda row: (order.index(row["maneuver"]), list(_SCALES).index(row["scale"]), row["threshold"]))
    rows = [
        {
            "maneuver": audit.catalogue.maneuvers[row["maneuver"]].name,
            "rule": row["rule"] if row["scale"] != "side_difference" else f"{row['rule']}\nother «noun» normal",
            "sensitivity": _share(row, "sensitivity", row["tp"], row["tp"] + row["fn"]),
            "specificity": _share(row, "specificity", row["tn"], row["tn"] + row["fp"]),
        }
        for row in kept
    ]
    if not rows:
        return ""
    caption = f"{condition.name}: what if something else counted as positive, {_VERIFIED}"
    text = table(pl.DataFrame(rows), _RULE_COLUMNS, caption=caption, group="maneuver")
    columns = ("maneuver", "scale", "threshold", "rule", "tp", "fp", "fn", "tn", "sensitivity", "specificity", "note")
    data = download(pl.DataFrame(kept, infer_schema_length=None).select(columns), f"rules-{condition.code}")
    return text + data


def _share(row: Mapping[str, Any], measure: str, part: int, whole: int) -> str:
    limits = percent_range(row[f"{measure}_low"], row[f"{measure}_high"])
    return f"{percent(row[measure])}\n{limits}\n{part} of {whole}"
