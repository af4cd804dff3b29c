"""The checker: reads a release as an outsider would and tries to work out what it hides."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

import polars as pl

from examtally.disclosure.bounds import given_back
from examtally.disclosure.figures import sides_of
from examtally.disclosure.folder import Release
from examtally.disclosure.inversion import counts_behind
from examtally.disclosure.sides import CELLS, KEY, MOST_HIDDEN, Row, Shown

_PERSONS = re.compile(r"(examiner|participant|reader|exam|reference)_id|pair", re.I)
_OF_A_SHARE = {"sensitivity": ("tp", "fn"), "specificity": ("tn", "fp"), "ppv": ("tp", "fp"), "npv": ("tn", "fn")}


def leaks(release: Release, earlier: Collection[Release] = ()) -> list[str]:
    """What the release gives back, one plain sentence each, without the count itself; empty where nothing is.

    Tried: counts of 1 to 10 that are simply there; sums of groups against the table of everybody and against earlier
    releases (exact integer bounds); figures whose counts are hidden, turned back into counts; columns about persons.
    """
    shown = release.shown
    approved = {Row(*key) for key in release.about.get("approved", [])}
    return [
        *_small(shown, approved),
        *_by_sums(shown, [other.shown for other in earlier]),
        *_by_difference(shown, [other.shown for other in earlier]),
        *(_by_figures(release.figures["accuracy"], shown) if "accuracy" in release.figures else ()),
        *_persons(release),
    ]


def _small(shown: Shown, approved: Collection[Row]) -> Iterator[str]:
    for row, cells in sorted(shown.items()):
        for cell, count in cells.items():
            if count is not None and 1 <= count <= MOST_HIDDEN and row not in approved:
                yield f"{_place(row)}: {cell} is shown although it is small"


def _by_sums(shown: Shown, earlier: Collection[Shown]) -> Iterator[str]:
    try:
        found = given_back(shown, shown, earlier)
    except ValueError as fault:
        yield str(fault)
        return
    for side, cell in sorted(found):
        yield f"{_place(side.row)}: {cell} can be worked out from sums and earlier releases"


def _by_difference(shown: Shown, earlier: Collection[Shown]) -> Iterator[str]:
    for row, cells in sorted(shown.items()):
        for cell, count in cells.items():
            before = [release.get(row, {}).get(cell) for release in earlier]
            if any(
                count is not None and other is not None and 1 <= abs(count - other) <= MOST_HIDDEN for other in before
            ):
                yield f"{_place(row)}: {cell} differs from an earlier release by 1 to {MOST_HIDDEN}"


def _by_figures(accuracy: pl.DataFrame, shown: Shown) -> Iterator[str]:
    for line in accuracy.iter_rows(named=True):
        row = Row(*(line[name] for name in KEY))
        cells = shown.get(row, {})
        hidden = [cell for name in sides_of(line["measure"]) for cell in CELLS[name] if cells.get(cell) is None]
        if not hidden or line["estimate"] is None:
            continue
        yield f"{_place(row)}: {line['measure']} is shown although its counts are hidden"
        if line["measure"] in _OF_A_SHARE and line["adjustment"] == "none":
            spans = counts_behind(line["estimate"], line["ci_low"], line["ci_high"], line["level"])
            for cell, span in zip(_OF_A_SHARE[line["measure"]], spans, strict=True):
                if cell in hidden and span.gives_back:
                    yield f"{_place(row)}: {line['measure']} with its interval gives back {cell}"


def _persons(release: Release) -> Iterator[str]:
    for name, frame in {"counts": release.counts, **release.figures}.items():
        for column in frame.columns:
            if _PERSONS.search(column):
                yield f"{name}: column {column} is about persons"
        if (
            "group_by" in frame.columns
            and frame["group_by"].is_in(["examiner", "examiner_pair", "same_examiner"]).any()
        ):
            yield f"{name}: rows about persons"


def _place(row: Row) -> str:
    return f"{row.condition}, {row.maneuver}, {row.group_by} {row.group}"
