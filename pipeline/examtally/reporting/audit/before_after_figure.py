"""The picture of the leading estimates: what a finding makes of a suspicion, a line each maneuver."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import Any

import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from examtally.contracts.protocol.models import TOO_WIDE
from examtally.plots.look import ABSENT, BAND, GREY, INK, PRESENT, RULE, bare, style
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import Lead, leads, verdicts
from examtally.reporting.audit.suspicion import BEFORE
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import percent

_WORD = 9  # letters of a verdict on one line beside the wide picture
_WIDE, _NARROW = 6.5, 3.4
_BESIDE = (0.765, 0.885)  # where the words of a negative and of a positive finding stand beside the wide picture
_LINE = 30  # letters of a name beside the wide picture
_MARGIN = 0.01  # a T reaches out to the left of where it stands


def picture(audit: Audit) -> str:
    """One line a main maneuver: a suspicion of 30 %, where a negative and where a positive finding moves it."""
    shown = leads(audit)
    return drawn(audit, [lead for lead in shown if lead.condition.core and lead.has_ratios] or shown, "before-after")


def drawn(audit: Audit, maneuvers: Sequence[Lead], name: str) -> str:
    """The same of some maneuvers; nothing where none has both ratios."""
    items = [lead for lead in maneuvers if lead.has_ratios]
    if not items:
        return ""
    with style():
        figures = _wide(items), _narrow(items)
        return publish(
            figures[0],
            name,
            caption=(
                f"What a finding makes of a suspicion of {percent(BEFORE)}, with 95% intervals: open square after a "
                f"negative one (−), filled disc after a positive one (+). {_rules(audit, items)}"
            ),
            alt=" ".join(
                f"{lead.name}: {lead.said('negative')} after a negative finding ({verdicts(lead)[0]}), "
                f"{lead.said('positive')} after a positive one ({verdicts(lead)[1]})."
                for lead in items
            ),
            data=pl.DataFrame([_data(lead) for lead in items]),
            narrow=figures[1],
        )


def _rules(audit: Audit, items: Sequence[Lead]) -> str:
    """By which rule the words beside a picture are given; of those that stand there."""
    found = {lead.row[f"verdict_{side}"] for lead in items for side in ("positive", "negative")}
    asked = audit.protocol.bias_adjusted
    enough = "doubles or halves the odds" if asked.helps == 2 else f"moves the odds {asked.helps:g}-fold"
    rules = (
        ({"rules_in"}, f"Rules in: it raises the odds at least {asked.rules_in:g}-fold."),
        ({"rules_out"}, f"Rules out: it lowers them at least {1 / asked.rules_out:g}-fold."),
        ({"helps", "weak", "no_help"}, f"Raises, lowers: the whole interval at least {enough}."),
        ({"weak"}, "Somewhat: it moves them for certain, perhaps by less."),
        ({"no_help"}, "No help: it moves them by less."),
        (
            {"too_early"},
            f"Too early: it may not move them at all, or the limits of the ratio lie over {TOO_WIDE:g}-fold apart.",
        ),
    )
    return " ".join(text for codes, text in rules if codes & found)


def _data(lead: Lead) -> dict[str, Any]:
    after_positive, after_negative = lead.span("positive"), lead.span("negative")
    return {
        "condition": lead.condition.code,
        "maneuver": lead.maneuver.code,
        "before": BEFORE,
        **dict(zip(("positive", "positive_low", "positive_high"), after_positive, strict=True)),
        **dict(zip(("negative", "negative_low", "negative_high"), after_negative, strict=True)),
        "verdict_positive": lead.row["verdict_positive"],
        "verdict_negative": lead.row["verdict_negative"],
    }


def _wide(items: Sequence[Lead]) -> Figure:
    """Names at the left, the axis in the middle, words at the right."""
    row, head, foot = 0.31, 0.28, 0.28
    height = head + foot + row * len(items)
    figure = paper(height, _WIDE)
    axes = _axes(figure, (0.35, foot / height, 0.385, row * len(items) / height), len(items))
    for x, title in zip(_BESIDE, ("negative", "positive"), strict=True):
        figure.text(x, 1 - 0.14 / height, title, va="center", fontsize=9, color=GREY)
    for place, lead in enumerate(items):
        _draw(axes, lead, place + 0.5)
        level = 1 - (head + (place + 0.5) * row) / height
        name = fill(lead.maneuver.name, _LINE)
        figure.text(_MARGIN, level, name, va="center", fontsize=9 if "\n" in name else 10, linespacing=1.1)
        for x, word in zip(_BESIDE, verdicts(lead), strict=True):
            figure.text(x, level, fill(word, _WORD), va="center", fontsize=9, linespacing=1.1, color=GREY)
    return figure


def _narrow(items: Sequence[Lead]) -> Figure:
    """For a phone: the name above each line, its words beneath."""
    row, head, foot = 0.76, 0.3, 0.3
    height = head + foot + row * len(items)
    figure = paper(height, _NARROW)
    axes = _axes(figure, (0.03, foot / height, 0.9, row * len(items) / height), len(items))
    for place, lead in enumerate(items):
        _draw(axes, lead, place + 0.79)
        top = 1 - (head + place * row) / height
        negative, positive = verdicts(lead)
        for text, across, down, size, colour in (
            (lead.maneuver.name, 0.0, 0.14, 10, INK),
            (f"− {negative}", 0.0, 0.34, 9.5, ABSENT),
            (f"+ {positive}", 0.5, 0.34, 9.5, PRESENT),
        ):
            figure.text(
                *(_MARGIN + across, top - down / height, text),
                va="center",
                fontsize=size,
                color=colour,
                backgroundcolor="white",
                zorder=3,
            )
    return figure


def _axes(figure: Figure, box: tuple[float, float, float, float], rows: int) -> Axes:
    axes = bare(figure.add_axes(box))
    axes.set_xlim(-0.02, 1.02)
    axes.set_ylim(rows, 0)
    axes.set_yticks([])
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100%"], fontsize=9)
    axes.grid(axis="x", color=BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.axvline(BEFORE, color=RULE, linewidth=1.6)
    axes.text(BEFORE, 0, f"before: {percent(BEFORE)}", ha="center", va="bottom", fontsize=9, color=GREY)
    return axes


def _draw(axes: Axes, lead: Lead, level: float) -> None:
    """The two probabilities after a finding, each with its limits; the negative one a little higher."""
    for side, colour, marker, shift in (("positive", PRESENT, "o", 0.08), ("negative", ABSENT, "s", -0.08)):
        value, low, high = lead.span(side)
        at = level + shift
        if low is not None and high is not None:
            axes.plot([low, high], [at, at], color=colour, linewidth=1.8, solid_capstyle="butt")
        face = colour if marker == "o" else "white"
        axes.plot([value], [at], marker, color=colour, markerfacecolor=face, markersize=6, clip_on=False)
