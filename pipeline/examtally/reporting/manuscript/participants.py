"""Who was studied, by target condition or by the groups compared; how severe it was, what else was found, how soon."""

from __future__ import annotations

import polars as pl

from examtally.reporting.engine.numbers import count, counted, listed, percent, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.manuscript.paper import TO_COMPLETE, Paper, Row
from examtally.reporting.manuscript.values import capital

LABEL = "tbl-participants"
_ALWAYS = "overall"
_MOST_OTHERS = 8
_CELLS = {"present": "Condition present", "absent": "Condition absent", "unsettled": "Not verified"}


def participants(paper: Paper) -> str:
    """«Nouns» in which the index test was done, by condition; side by side where groups are compared."""
    if paper.rows("study_arms"):
        return _side_by_side(paper)
    lines = paper.rows("study_participants")
    whole = next((line for line in lines if line["group_by"] == _ALWAYS), None)
    if whole is None or not whole["knees"]:
        return ""
    cells = {"knees": "All «nouns»"} | (_CELLS if paper.condition else {})
    rows = [
        {"grouping": _heading(paper, name), "group": _level(paper, line)}
        | {cell: _share(line[cell], whole[cell], is_whole=name == _ALWAYS) for cell in cells}
        for name in _groupings(lines)
        for line in _of(paper, lines, "group_by", name, "group")
    ]
    columns = (Column("group", "Characteristic"), *(Column(cell, head) for cell, head in cells.items()))
    first = paper.study.analyses[0]
    tests = first.tests if first.kind == "paired" else first.tests[:1]
    by = listed([paper.the_test(test) for test in tests])
    caption = (
        f"«Nouns» examined with {by}; condition: {paper.condition_name}"
        if paper.condition
        else "«Nouns» at their first exam"
    )
    return table(pl.DataFrame(rows), columns, caption=f"{caption}, n (%)", group="grouping", label=LABEL)


def _side_by_side(paper: Paper) -> str:
    """The groups compared, in columns."""
    lines = paper.rows("study_arms")
    (group_by, *_) = dict.fromkeys(line["group_by"] for line in lines)
    lines = [line for line in lines if line["group_by"] == group_by]
    groups = sorted(dict.fromkeys(line["group"] for line in lines), key=lambda one: paper.place(group_by, one))
    whole = {line["group"]: line for line in lines if line["described_by"] == _ALWAYS}
    rows = []
    for name in _groupings(lines, "described_by"):
        levels = dict.fromkeys(line["description"] for line in _of(paper, lines, "described_by", name, "description"))
        for level in levels:
            found = {
                line["group"]: line for line in lines if (line["described_by"], line["description"]) == (name, level)
            }
            counts = {one: (found[one]["knees"] if one in found else 0) for one in groups}
            rows.append(
                {"grouping": _heading(paper, name), "group": "All" if name == _ALWAYS else _name(paper, level)}
                | {one: _share(counts[one], whole[one]["knees"], is_whole=name == _ALWAYS) for one in groups}
            )
            if name == _ALWAYS:
                rows += [_verified(groups, whole), _with_condition(groups, whole)]
    columns = (Column("group", "Characteristic"), *(Column(one, capital(paper.group_name(one))) for one in groups))
    of = " of the examiner" if group_by in ("role", "site") else ""
    caption = f"«Nouns» examined, by {paper.grouping_name(group_by)}{of}; condition: {paper.condition_name}, n (%)"
    return table(pl.DataFrame(rows), columns, caption=caption, group="grouping", label=LABEL)


def _verified(groups: list[str], whole: dict[str, Row]) -> dict[str, str]:
    of = {one: (whole[one]["present"] + whole[one]["absent"], whole[one]["knees"]) for one in groups}
    return {"grouping": "«Nouns»", "group": "Verified"} | {one: _share(*of[one]) for one in groups}


def _with_condition(groups: list[str], whole: dict[str, Row]) -> dict[str, str]:
    of = {one: (whole[one]["present"], whole[one]["present"] + whole[one]["absent"]) for one in groups}
    return {"grouping": "«Nouns»", "group": "Condition present, of verified"} | {
        one: _share(*of[one]) for one in groups
    }


def _share(part: int, whole: int, *, is_whole: bool = False) -> str:
    if is_whole or not whole:
        return count(part)
    return f"{count(part)} ({percent(part / whole)})"


def _groupings(lines: list[Row], key: str = "group_by") -> list[str]:
    """Groupings that say more than that nothing was recorded, everybody first."""
    level = "group" if key == "group_by" else "description"
    names = dict.fromkeys(line[key] for line in lines)
    told = [
        name
        for name in names
        if any(line[key] == name and line[level] != "unknown" and line["knees"] for line in lines)
    ]
    return sorted(told, key=lambda name: name != _ALWAYS)


def _of(paper: Paper, lines: list[Row], key: str, name: str, level: str) -> list[Row]:
    """The rows of one grouping with anybody in them, levels in their declared order."""
    chosen = [line for line in lines if line[key] == name and line["knees"]]
    return sorted(chosen, key=lambda line: paper.place(name, line[level]))


def _heading(paper: Paper, name: str) -> str:
    if name == _ALWAYS:
        return "«Nouns»"
    unit = paper.unit_of(name)
    return paper.wording.word("group_by", name) + (f", {unit}" if unit else "")


def _level(paper: Paper, line: Row) -> str:
    return "All" if line["group"] == "all" else _name(paper, line["group"])


def _name(paper: Paper, level: str) -> str:
    return capital(paper.group_name(level))


def course(paper: Paper) -> str:
    """What settled the condition and how soon, how severe it was, what the others had instead; in one paragraph."""
    if paper.condition is None:
        return ""
    settled = paper.described("settled_by")
    verified = sum(line["knees"] for line in settled)
    if not verified:
        return "No «noun» was verified."
    ways = [f"{paper.modality_name(line['group'])} in {share_of(line['knees'], verified)}" for line in settled]
    surgery = [line for line in settled if line["group"] in paper.catalogue.surgery]
    of = {side: sum(line[side] for line in settled) for side in ("present", "absent")}
    operated = {side: sum(line[side] for line in surgery) for side in of}
    return " ".join(
        [
            f"The condition was settled by {listed(ways)}.",
            f"Surgery settled {share_of(operated['present'], of['present'])} «nouns» with the condition and "
            f"{share_of(operated['absent'], of['absent'])} without it; all others were settled by imaging.",
            _days(paper),
            _severity(paper),
            _others(paper),
        ]
    )


def _days(paper: Paper) -> str:
    days = {line["group"]: line["value"] for line in paper.described("days")}
    if not days:
        return ""
    told = {name: f"{value:.0f}" for name, value in days.items()}
    return (
        f"The reference followed the exam by a median of {told['median']} days (interquartile range "
        f"{told['lower_quartile']} to {told['upper_quartile']}, range {told['least']} to {told['most']}). Treatment in "
        f"between is not recorded: {TO_COMPLETE}."
    )


def _severity(paper: Paper) -> str:
    assert paper.condition is not None
    names = {one.code: one.label for one in paper.condition.severity} | {"unknown": "not graded"}
    lines = {line["group"]: line["present"] for line in paper.described("severity")}
    lines = {code: number for code, number in lines.items() if number}
    told = [f"{names[code]} in {lines[code]}" for code in names if lines.get(code)]
    if set(lines) <= {"unknown"}:
        return f"How severe it was is not recorded: {TO_COMPLETE}."
    return f"Severity in the {counted(sum(lines.values()), '«noun»')} with the condition: {listed(told)}."


def _others(paper: Paper) -> str:
    lines = paper.described("other_condition")
    found = sorted((one for one in lines if one["group"] != "none" and one["absent"]), key=lambda one: -one["absent"])
    without = sum(line["absent"] for line in paper.described("settled_by"))
    if not lines or not without:
        return f"Other diagnoses in «nouns» without the condition are not recorded: {TO_COMPLETE}."
    told = [
        f"{inside_sentence(paper.catalogue.conditions[one['group']].name)} in {one['absent']}"
        for one in found[:_MOST_OTHERS]
    ]
    rest = "; rarer ones are left out here" if len(found) > _MOST_OTHERS else ""
    clear = next((line["absent"] for line in lines if line["group"] == "none"), 0)
    return (
        f"The {counted(without, '«noun»')} without the condition had {listed(told) or 'no other condition'} (several "
        f"can concern one «noun»{rest}); in {clear} a reference looked for other conditions and found none."
        f"{_lesser(paper)}"
    )


def _lesser(paper: Paper) -> str:
    """How many without the target condition had it in a degree that does not count."""
    assert paper.condition is not None
    names = {one.code: one.label for one in paper.condition.severity}
    lines = {line["group"]: line["absent"] for line in paper.described("severity") if line["absent"]}
    told = [f"{names[code]} in {lines[code]}" for code in names if code in lines]
    return f" Counted among those without it, as of another degree: {listed(told)}." if told and paper.degrees else ""
