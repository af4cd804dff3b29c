"""A short summary of results as HTML, for a notebook: what was studied, a few leading figures, where the rest is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

import polars as pl

from examtally.contracts.catalogue.clinical import Catalogue

_LEADING = 5  # conditions shown
_NAMED = 12  # tables named
_COUNTS = {
    "exams": "exams in the registry",
    "index_exams": "first eligible exams of a complaint",
    "participants": "participants",
    "examiners": "examiners",
}
_SIDES = ("sensitivity", "specificity")


def page(title: str, *parts: str) -> str:
    """A heading and its parts, one after another."""
    return f"<div><h4>{escape(title)}</h4>{''.join(parts)}</div>"


def paragraph(text: str) -> str:
    """A paragraph of plain words; whatever a person wrote stands there as words."""
    return f"<p>{escape(text)}</p>"


def summary(tables: Mapping[str, pl.DataFrame], catalogue: Catalogue, about: str) -> str:
    """Say what the tables hold, in fewer than 2,500 characters: counts, leading figures of everybody, names of tables.

    Leading are the core conditions with most verified participants, then the others; each with the maneuver that was
    done in most of them, where sensitivity and specificity may both be shown.
    """
    return "".join(
        [
            paragraph(f"{_counts(tables)}{about}."),
            _figures(tables.get("accuracy"), catalogue),
            paragraph(
                f"{len(tables)} tables as Polars frames (results.NAME; .to_pandas() for pandas): {_names(tables)}. "
                "Figures: results.plot.forest(CONDITION), results.plot.calibration(CONDITION)."
            ),
        ]
    )


def _counts(tables: Mapping[str, pl.DataFrame]) -> str:
    if "cohort_summary" not in tables:
        return ""
    rows = tables["cohort_summary"].filter(group="all").select("item", "value").iter_rows()
    found = {item: value for item, value in rows if value is not None}
    said = [f"{found[item]:,.0f} {words}" for item, words in _COUNTS.items() if item in found]
    return f"{', '.join(said)}. " if said else ""


def _figures(accuracy: pl.DataFrame | None, catalogue: Catalogue) -> str:
    if accuracy is None:
        return ""
    rows = accuracy.filter(
        pl.col("measure").is_in(_SIDES), group_by="overall", group="all", adjustment="none", display="estimate"
    )
    found = {(row["condition"], row["maneuver"], row["measure"]): row for row in rows.iter_rows(named=True)}
    pairs = [key[:2] for key in found if key[2] == _SIDES[0] and (*key[:2], _SIDES[1]) in found]
    core = {code for code, condition in catalogue.conditions.items() if condition.core}
    people = {pair: sum(found[(*pair, side)]["participants"] for side in _SIDES) for pair in pairs}
    leading: dict[str, str] = {}
    for condition, maneuver in sorted(pairs, key=lambda pair: (pair[0] not in core, -people[pair])):
        leading.setdefault(condition, maneuver)
    if not leading:
        return paragraph("No figure has enough verified participants yet.")
    head = ("Condition", "Maneuver", "Sensitivity", "Specificity")
    body = [
        (
            catalogue.conditions[condition].name if condition in catalogue.conditions else condition,
            catalogue.maneuvers[maneuver].name if maneuver in catalogue.maneuvers else maneuver.replace("_", " "),
            *(_cell(found[condition, maneuver, side]) for side in _SIDES),
        )
        for condition, maneuver in list(leading.items())[:_LEADING]
    ]
    level = f"{rows['level'][0]:.0%} CI"
    return _table(catalogue.noun.said(f"Uncorrected, of verified «nouns», with {level} and counts"), head, body)


def _cell(row: Mapping[str, object]) -> str:
    """A share with its interval and counts."""
    share, low, high = row["estimate"], row["ci_low"], row["ci_high"]
    limits = f" ({low:.0%} to {high:.0%})" if low is not None and high is not None else ""
    return f"{share:.0%}{limits}, {row['events']}/{row['n']}"


def _table(caption: str, head: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    def line(cells: Sequence[str], tag: str) -> str:
        return f"<tr>{''.join(f'<{tag}>{escape(cell)}</{tag}>' for cell in cells)}</tr>"

    lines = "".join(line(cells, "td") for cells in body)
    return f"<table><caption>{escape(caption)}</caption>{line(head, 'th')}{lines}</table>"


def _names(tables: Mapping[str, pl.DataFrame]) -> str:
    named = [f"{name} ({frame.height:,} rows)" for name, frame in list(tables.items())[:_NAMED]]
    left = len(tables) - len(named)
    return ", ".join(named) + (f" and {left} more" if left else "")
