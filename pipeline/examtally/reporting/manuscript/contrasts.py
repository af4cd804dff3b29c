"""The Results on differences: two tests on the same «nouns», and one test in two groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.reporting.engine.numbers import DASH, count, listed, percent, points, ratio
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.findings import is_of_one_examiner, least, withheld_words
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import (
    RATIOS,
    TOO_FEW,
    UNCORRECTED,
    capital,
    difference_words,
    how_made,
    is_shown,
    leading,
    main_first,
    measure_name,
    of_whom,
    p_words,
)

LABEL_TESTS, LABEL_GROUPS = "tbl-tests", "tbl-groups"
FEW_EXAMINERS = "few_examiners"
_OF_EXAMINERS = (*EXAMINER_GROUPS, "setting")
_FEW = 3
_PAIR = ("maneuver_a", "maneuver_b", "group_by", "group", "measure")
_GROUPS = ("maneuver", "group_by", "group_a", "group_b", "measure")


def of_one_figure(paper: Paper, table_name: str) -> list[list[Row]]:
    """The rows of a table of differences, those of one figure together, the main one first."""
    key = _PAIR if table_name == "comparisons" else _GROUPS
    groups: dict[tuple[str, ...], list[Row]] = {}
    for line in _judged(paper, table_name):
        if line.get("contrast", "difference") == ("ratio" if line["measure"] in RATIOS else "difference"):
            groups.setdefault(tuple(line[name] for name in key), []).append(line)
    found = [main_first(paper, lines) for lines in groups.values()]
    return sorted(found, key=lambda lines: _place(paper, lines[0]))


def _place(paper: Paper, line: Row) -> tuple[object, ...]:
    """Everybody first, measures as they are declared, groups in their order."""
    group = line.get("group", line.get("group_a"))
    declared = [measure for one in paper.study.analyses for measure in one.measures]
    measure = declared.index(line["measure"]) if line["measure"] in declared else len(declared)
    return (line["group_by"] != "overall", line["group_by"], measure, *paper.place(line["group_by"], str(group)))


def _judged(paper: Paper, name: str) -> list[Row]:
    """Rows of a table, those with too few people flagged as such: «nouns» where people are not counted."""
    few = least(paper)
    return [
        {**line, "flag": "too_few"}
        if (line["participants"] if "participants" in line else min(line["n_a"], line["n_b"])) < few
        else line
        for line in paper.rows(name)
    ]


def comparisons(paper: Paper) -> str:
    """Two tests on the same «nouns», differences and ratios."""
    lines = [line for same in of_one_figure(paper, "comparisons") for line in same if line["n"]]
    if not lines:
        return ""
    counted = UNCORRECTED if any(line["adjustment"] == UNCORRECTED for line in lines) else lines[0]["adjustment"]
    rows = [
        {
            "pair": f"{paper.test_name(line['maneuver_a'])} minus {paper.test_inside(line['maneuver_b'])}",
            "what": f"{capital(measure_name(line['measure']))}{paper.mark(line)}{_within(paper, line)}\n"
            f"{how_made(line['adjustment'])}",
            "a": _value(line, "estimate_a"),
            "b": _value(line, "estimate_b"),
            "value": difference_words(line),
            "alone": f"{line['only_a']} / {line['only_b']} of {line['n']}" if line["adjustment"] == counted else "",
            "p": p_cell(line),
        }
        for line in lines
    ]
    columns = (
        Column("what", "Measure"),
        Column("a", "First test"),
        Column("b", "Second test"),
        Column("value", f"Difference, points ({percent(1 - paper.study.alpha)} CI)"),
        Column("alone", "Right with first / second alone, verified"),
        Column("p", "P"),
    )
    caption = paper.noted("Two tests in the same «nouns»", lines)
    return table(pl.DataFrame(rows), columns, caption=caption, group="pair", label=LABEL_TESTS)


def _within(paper: Paper, line: Row) -> str:
    return "" if line["group_by"] == "overall" else f", {of_whom(paper, line)}"


def comparison_words(paper: Paper, measures: Sequence[str]) -> str:
    """One sentence a declared comparison of everybody on these measures: the main figure, why where it is another."""
    said = []
    for same, line in _led(paper, _asked(paper, "comparisons", measures, ["overall"])):
        first = same[0]
        name = capital(measure_name(first["measure"])) + paper.mark(first)
        one, other = (paper.the_test(first[key]) for key in ("maneuver_a", "maneuver_b"))
        if line is None:
            said.append(
                f"{name} of {one} and {other}: {TOO_FEW} ({first['n']} verified «nouns»{_side(first)} had both tests)."
            )
            continue
        contrast = "a ratio of" if line["measure"] in RATIOS else "a difference of"
        unit = "" if line["measure"] in RATIOS else " percentage points"
        how = how_made(line["adjustment"])
        why = _why(paper, same)
        beside = _beside(paper, line, same)
        said.append(
            f"{name} was {_value(line, 'estimate_a')} with {one} and {_value(line, 'estimate_b')} with {other}, "
            f"{contrast} {with_level(paper, line)}{unit} ({how}; {count(line['n'])} verified "
            f"«nouns»{_side(line)} had both tests{_tested(line)}){beside}{why}."
        )
    return " ".join(said)


def with_level(paper: Paper, line: Row) -> str:
    """A difference with its interval named."""
    return difference_words(line).replace(" (", f" ({percent(1 - paper.study.alpha)} CI ", 1)


def _beside(paper: Paper, line: Row, same: Sequence[Row]) -> str:
    """The same figure made in the other way: of the verified «nouns» alone, or as the main one is."""
    wanted = paper.study.main if line["adjustment"] == UNCORRECTED else UNCORRECTED
    other = next((one for one in same if one["adjustment"] == wanted), None)
    if other is None or other is line or not is_shown(other, "difference"):
        return ""
    how = "in verified «nouns» only" if wanted == UNCORRECTED else how_made(wanted)
    return f"; {difference_words(other)} {how}"


def _why(paper: Paper, same: Sequence[Row]) -> str:
    """Why there is no main figure, where there is none."""
    main = next((one for one in same if one["adjustment"] == paper.study.main), None)
    return "" if main is not None and is_shown(main, "difference") else withheld_words(paper, same)


def _value(line: Row, key: str) -> str:
    value = line[key] if line["flag"] not in ("too_few", "withheld") else None
    return ratio(value) if line["measure"] in RATIOS else percent(value)


def interactions(paper: Paper) -> str:
    """Differences between groups, each with its test."""
    lines = [line for same in of_one_figure(paper, "interactions") for line in same]
    if not lines:
        return ""
    rows = [
        {
            "test": _test_name(paper, line),
            "what": f"{capital(measure_name(line['measure']))}{paper.mark(line)}\n{how_made(line['adjustment'])}",
            "a": _of_group(paper, line, "a"),
            "b": _of_group(paper, line, "b"),
            "value": difference_words(line),
            "p": p_cell(line),
        }
        for line in lines
    ]
    columns = (
        Column("what", "Measure"),
        Column("a", "First group"),
        Column("b", "Second group"),
        Column("value", f"Difference, points ({percent(1 - paper.study.alpha)} CI)"),
        Column("p", "P"),
    )
    caption = paper.noted("Differences between groups", lines)
    return table(pl.DataFrame(rows), columns, caption=caption, group="test", label=LABEL_GROUPS)


def _test_name(paper: Paper, line: Row) -> str:
    """An index test, or what one has over another."""
    return minus(paper, *line["maneuver"].split(" minus "))


def minus(paper: Paper, first: str, *others: str) -> str:
    """What one index test has over another."""
    return " minus ".join([paper.test_name(first), *(paper.test_inside(one) for one in others)])


def interaction_words(paper: Paper, measures: Sequence[str], group_bys: Sequence[str]) -> str:
    """One sentence a pair of groups, on these measures and groupings."""
    said: list[str] = []
    notes: dict[str, None] = {}
    for same, line in _led(paper, _asked(paper, "interactions", measures, group_bys)):
        first = same[0]
        one, other = (paper.level_name(first["group_by"], first[key]) for key in ("group_a", "group_b"))
        name = f"{capital(measure_name(first['measure']))} of {paper.the_test(first['maneuver'])}"
        if " minus " in first["maneuver"]:
            name = f"The difference in {measure_name(first['measure'])}, {paper.test_inside(first['maneuver'])},"
        name += paper.mark(first)
        if line is None:
            said.append(f"{name} ({one}; {other}): {TOO_FEW}, {_numbers(first)}.")
            continue
        write = points if " minus " in line["maneuver"] else percent
        why = _why(paper, same)
        notes |= {line["note"]: None} if line["flag"] == FEW_EXAMINERS and line["note"] else {}
        said.append(
            f"{name} was {write(line['estimate_a'])} ({one}) and {write(line['estimate_b'])} ({other}), a "
            "difference of "
            f"{with_level(paper, line)} percentage points ({how_made(line['adjustment'])}; {_numbers(line)}"
            f"{_tested(line)}){_beside(paper, line, same)}{why}."
        )
    return " ".join([*said, *notes])


def _numbers(line: Row) -> str:
    return f"{count(line['n_a'])} and {count(line['n_b'])} verified «nouns»{_side(line)}"


def is_verified_only(paper: Paper) -> bool:
    """Whether a primary difference is given of verified «nouns» only, which verification may bias."""
    asked = [("comparisons", one) for one in paper.study.primary if one.kind == "paired"]
    asked += [("interactions", one) for one in paper.study.primary if one.kind == "by_group"]
    return any(
        line is not None and line["adjustment"] == UNCORRECTED
        for name, one in asked
        for _, line in _led(paper, _asked(paper, name, one.measures, [one.group_by or "overall"]))
    )


def _asked(paper: Paper, name: str, measures: Sequence[str], group_bys: Sequence[str]) -> list[list[Row]]:
    """The rows of each figure of these measures and groupings."""
    return [
        same
        for same in of_one_figure(paper, name)
        if same[0]["measure"] in measures and same[0]["group_by"] in group_bys
    ]


def _led(paper: Paper, figures: Sequence[list[Row]]) -> list[tuple[list[Row], Row | None]]:
    """Each figure's rows and the one to give first: all made in one way, so that a reader may hold one to another.

    It is the main way where every figure has it, else that of the verified «nouns» alone; None where there is none.
    """
    found = [(same, leading(paper, same, "difference")) for same in figures]
    if all(line is None or line["adjustment"] == paper.study.main for _, line in found):
        return found
    plain = [next((one for one in same if one["adjustment"] == UNCORRECTED), None) for same in figures]
    return [
        (same, one if one is not None and is_shown(one, "difference") else line)
        for (same, line), one in zip(found, plain, strict=True)
    ]


def _side(line: Row) -> str:
    """Which verified «nouns» a measure counts."""
    return {"sensitivity": " with the condition", "specificity": " without the condition"}.get(line["measure"], "")


def behind_words(paper: Paper) -> str:
    """How many examiners stand behind groups that are made by who examined or where."""
    told = []
    for name in dict.fromkeys(one.group_by for one in paper.study.analyses if one.group_by in _OF_EXAMINERS):
        counts = {
            line["group"]: int(line["value"] or 0) for line in paper.rows("cohort_summary", item=f"examiners_by_{name}")
        }
        if counts:
            ordered = sorted(counts, key=lambda group: paper.place(str(name), group))
            parts = [f"{counts[group]} ({paper.group_name(group)})" for group in ordered]
            by = paper.grouping_name(str(name))
            told.append(f"Examiners behind the groups by {by}: {listed(parts)}{_twice(paper, counts)}.")
        if any(number < _FEW for number in counts.values()):
            told.append(
                "[before publication: a group with fewer than three examiners is nearly a figure of persons; keep it "
                "inside, `study bundle` hides it]"
            )
    return " ".join(told)


def _twice(paper: Paper, counts: Mapping[str, int]) -> str:
    """How many examiners stand in more than one group, as those whose role changed."""
    people = next((int(line["value"] or 0) for line in paper.described("examiners")), 0)
    more = sum(counts.values()) - people
    return f"; {more} of them in more than one group" if people and more > 0 else ""


def _of_group(paper: Paper, line: Row, which: str) -> str:
    value = line[f"estimate_{which}"]
    shown = points(value) if " minus " in line["maneuver"] else percent(value)
    name = capital(paper.level_name(line["group_by"], line[f"group_{which}"]))
    if not is_shown(line, f"estimate_{which}"):
        shown = _alone(paper, line, which)
    return f"{shown}\n{name}, n = {count(line[f'n_{which}'])}"


def _alone(paper: Paper, line: Row, which: str) -> str:
    """The figure of one group where the two cannot be compared: that of the table of estimates."""
    key = {name: line[name] for name in ("maneuver", "group_by", "measure")}
    rows = paper.rows("accuracy", group=line[f"group_{which}"], **key)
    found = [row for row in rows if row["adjustment"] == line["adjustment"]]
    is_alone = any(map(is_of_one_examiner, rows))
    return percent(found[0]["estimate"]) if found and is_shown(found[0]) and not is_alone else DASH


def _tested(line: Row) -> str:
    """The P value to follow in brackets; empty where nothing was tested or the comparison only describes."""
    if line["p_value"] is None or not is_shown(line, "difference") or line["flag"] == FEW_EXAMINERS:
        return ""
    value = line["p_value"] if line["p_adjusted"] is None else line["p_adjusted"]
    adjusted = ", adjusted" if line["p_adjusted"] is not None and line["p_adjusted"] != line["p_value"] else ""
    return f"; {p_words(value)}{adjusted}"


def p_cell(line: Row) -> str:
    """The P value in a table, its adjusted one beneath; *descriptive* where too few examiners stand behind it."""
    if line["p_value"] is None or not is_shown(line, "difference"):
        return DASH
    if line["flag"] == FEW_EXAMINERS:
        return "descriptive only"
    words = p_words(line["p_value"]).removeprefix("P ").removeprefix("= ")
    if line["p_adjusted"] is None or line["p_adjusted"] == line["p_value"]:
        return words
    return f"{words}\nadjusted {p_words(line['p_adjusted']).removeprefix('P ').removeprefix('= ')}"
