"""The Results on change: each test before and after a dated intervention, within examiners."""

from __future__ import annotations

import polars as pl

from examtally.contracts.results import result_codes
from examtally.reporting.engine.numbers import DASH, counted, percent, points
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import capital, measure_name, p_words

_LEADING = ("difference_in_differences", "before_after")
LABEL = "tbl-change"


def changes(paper: Paper) -> str:
    """Every change that was looked for, by every method that could be used."""
    rows = [
        {
            "test": paper.test_name(line["maneuver"]),
            "what": f"{capital(measure_name(line['measure']))}{paper.mark(line)}\n"
            f"{result_codes()['change_method'][line['method']]}",
            "both": f"{percent(line['before'])} and {percent(line['after'])}",
            "value": _difference(line),
            "behind": f"{counted(line['examiners'], 'examiner')}\n{line['n_before']} and {line['n_after']} «nouns»",
            "mix": DASH if line["case_mix_difference"] is None else points(line["case_mix_difference"]),
        }
        for line in paper.rows("changes")
    ]
    if not rows:
        return ""
    columns = (
        Column("what", "Measure and method"),
        Column("both", "Before and after"),
        Column("value", "Change, points"),
        Column("behind", "Behind it"),
        Column("mix", "Case mix adds"),
    )
    return table(pl.DataFrame(rows), columns, caption="Before and after the intervention", group="test", label=LABEL)


def change_words(paper: Paper, analysis: str) -> str:
    """One sentence a measure of one analysis, by the leading method that could be used."""
    said = []
    for line in _leading(paper, analysis):
        start = f"{capital(measure_name(line['measure']))}{paper.mark(line)} of {paper.test_name(line['maneuver'])}"
        verdict = str(result_codes()["change_verdict"][line["verdict"]])
        if line["ci_low"] is None:
            said.append(f"{start}: a change cannot be told. {line['note']}")
            continue
        said.append(
            f"{start} was {percent(line['before'])} before the intervention and {percent(line['after'])} after it at "
            f"the same case mix, a change of {_difference(line).replace(chr(10), ' ')} points within "
            f"{counted(line['examiners'], 'examiner')} {_p(line)}: {verdict}."
        )
    return " ".join(said)


def _leading(paper: Paper, analysis: str) -> list[Row]:
    """The row that the answer is taken from, of every test and measure."""
    found: dict[tuple[str, str], Row] = {}
    for method in _LEADING:
        for line in paper.rows("changes", method=method, intervention=analysis):
            found.setdefault((line["maneuver"], line["measure"]), line)
    return list(found.values())


def _p(line: Row) -> str:
    return "" if line["p_value"] is None else f" (P {p_words(line['p_value'])})"


def _difference(line: Row) -> str:
    if line["ci_low"] is None:
        return DASH
    return f"{points(line['difference'])}\n({points(line['ci_low'])} to {points(line['ci_high'])})"
