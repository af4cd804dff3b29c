"""How learners come along: a few charts, the others in tables, by the codes drawn for the report."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import groupby

import polars as pl

from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.learning_chart import LearningChart, learning_chart
from examtally.reporting.engine.numbers import counted, listed, percent
from examtally.reporting.engine.tables import Column, details, table

MOST_CHARTS = 6
HOW_TO_GET = (
    "Charts of how each learner comes along are about persons and not in this report; to get them, analyze with "
    "`--with-examiners` and agree first who may see them."
)
NOBODY = (
    "No finding of a learner can be held against a known answer, or against a supervisor's own finding of the same day."
)
_APART = ("positive", "negative")
_KEYS = ("examiner_id", "condition", "maneuver", "outcome")
_COLUMNS = (
    Column("what", "Maneuver"),
    Column("all", "Differed"),
    Column("reached", "Level reached", words=True),
    Column("positive", "Differed in positives"),
    Column("negative", "in negatives"),
)
_HELD = {"reference": "Held against the known answer", "supervisor": "Held against a supervisor's own finding"}


def section(audit: Audit) -> str:
    """The charts with the most cases, one a learner in turn, and all in tables; or how to get them."""
    if not audit.results.has_examiners:
        return HOW_TO_GET
    rows = audit.table("learning")
    if rows.is_empty():
        return NOBODY
    charts = _charts(audit, rows)
    if not charts:
        few = counted(audit.min_participants, "person", "people")
        return f"No learner has findings in {few} yet that can be held against an answer or a supervisor."
    drawn = [
        learning_chart(chart, f"learning-{number}") for number, chart in enumerate(_chosen(charts.values()), start=1)
    ]
    return "\n\n".join([*_explained(audit, rows), *drawn, *_tables(audit, charts, rows)])


def _charts(audit: Audit, rows: pl.DataFrame) -> Mapping[tuple[str, ...], LearningChart]:
    """Every chart of all cases with enough people, in the order of codes, conditions and maneuvers.

    A condition made of others has none: its parts do. Against a supervisor a maneuver has one, whatever it is for.
    """
    enough = rows.filter(pl.col("participants") >= audit.min_participants, among="all")
    found = {tuple(map(str, key)): part for key, part in enough.group_by(_KEYS, maintain_order=True)}
    charts: dict[tuple[str, ...], LearningChart] = {}
    seen: set[tuple[str, str]] = set()
    order = {pair: place for place, pair in enumerate(audit.catalogue.pairs)}
    for key in sorted(found, key=lambda one: (audit.codes[one[0]], one[3], order[one[1], one[2]])):
        examiner, condition, maneuver, outcome = key
        entry = audit.catalogue.conditions.get(condition)
        is_repeated = outcome == "supervisor" and (examiner, maneuver) in seen
        if is_repeated or (outcome == "reference" and entry is not None and entry.derived_from):
            continue
        if outcome == "supervisor":
            seen.add((examiner, maneuver))
        name = audit.catalogue.maneuvers[maneuver].name
        of = entry.name if outcome == "reference" and entry is not None else ""
        charts[key] = LearningChart(audit.codes[examiner], name, of, found[key])
    return charts


def _chosen(charts: Iterable[LearningChart]) -> list[LearningChart]:
    """The charts to draw: the one with the most cases of each learner, then the next of each; in the order of codes."""
    ranked = sorted(charts, key=lambda chart: (-chart.cases, chart.who, chart.what))
    turns: dict[str, int] = {}
    placed = []
    for chart in ranked:
        turns[chart.who] = turns.get(chart.who, 0) + 1
        placed.append((turns[chart.who], -chart.cases, chart.who, chart.what, chart))
    chosen = [chart for *_, chart in sorted(placed, key=lambda one: one[:4])[:MOST_CHARTS]]
    return sorted(chosen, key=lambda chart: (chart.who, chart.what))


def _explained(audit: Audit, rows: pl.DataFrame) -> list[str]:
    """What the charts are, with the levels of the protocol."""
    chosen = audit.protocol.learning
    learners = listed([role.replace("_", " ") for role in audit.protocol.agreement.learners], "or")
    number = rows["examiner_id"].n_unique()
    return [
        f"Each finding of a learner ({learners}) is one step: up where it is the same as what it is held against, down "
        "where it differs. Where the line meets the upper limit the declared level counts as reached: at most "
        f"{percent(chosen.p_acceptable)} of findings differ, told apart from {percent(chosen.p_unacceptable)}. From "
        "then on the line starts again at the middle and never climbs above it. At the lower limit the level has "
        "perhaps been left: look at the last cases together.",
        f"The chances printed on a limit hold for the first {chosen.planned} cases of a stage; a line that runs on "
        f"signals falsely sooner or later, and of many charts of learners who are not there yet some "
        f"{percent(chosen.false_signal)} call the level reached by chance. Which of the cases of one period came first "
        f"is not recorded, so the line is the middle of {chosen.orders} random orders, surest at the dots, where a "
        "period ends.",
        "Knees whose answer is known are not all knees, and some knees are harder than others: a line is a reason to "
        "talk, not an examination mark. Not for grading, credentialing, pay or discipline. "
        f"{counted(number, 'learner')} by the codes of this report, which mean nothing; below, the charts with the "
        "most cases, one of each learner before a second of anyone.",
    ]


def _tables(audit: Audit, charts: Mapping[tuple[str, ...], LearningChart], rows: pl.DataFrame) -> list[str]:
    """All charts, a fold a learner."""
    apart = {
        (*map(str, key[:4]), str(key[4])): (int(part["failures"].max() or 0), part.height)  # type: ignore[arg-type]
        for key, part in rows.filter(pl.col("among") != "all").group_by((*_KEYS, "among"))
    }
    folds = []
    for who, keys in groupby(charts, key=lambda key: charts[key].who):
        lines = [
            {
                "what": f"{charts[key].maneuver}\n{charts[key].condition}",
                "held": _HELD[key[3]],
                "all": _cell(charts[key].differed, charts[key].cases),
                "reached": charts[key].reached,
                **{among: _cell(*apart[*key, among]) if (*key, among) in apart else "" for among in _APART},
            }
            for key in keys
        ]
        shown = table(pl.DataFrame(lines), _COLUMNS, caption=f"{who}: findings that differed", group="held")
        folds.append(details(f"Every chart of {who} ({len(lines)})", shown))
    note = (
        "*Positives* are knees with the condition, or that the supervisor found positive; *negatives* the others. They "
        f"stand apart from {counted(audit.min_participants, 'person', 'people')} on. Maneuvers with fewer people are "
        "left out."
    )
    return [*folds, note]


def _cell(part: int, whole: int) -> str:
    """A share in a table, its counts first."""
    return f"{part} of {whole}\n{percent(part / whole)}"
