"""Whom an image would help: net benefit of imaging by history and exam, against imaging everybody and nobody."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.plots.look import ABSENT, BAND, GREY, INK, PRESENT, bare, style
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.aims import fold
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import counted, percent
from examtally.reporting.engine.tables import Column, download, table
from examtally.reporting.plain import box

NO_REFUSAL = (
    "**Never a reason to refuse an image.** These figures help a group to think about how it images. They say nothing "
    "of the patient in front of you: whom to image is for local protocol and clinical judgment."
)
_LINES = {
    "all": ("everybody", GREY, (0, (5, 2))),
    "model_history": ("by the history", ABSENT, (0, (1.5, 1.5))),
    "model_exam": ("by history and exam", PRESENT, "solid"),
}
_COLUMNS = (
    Column("threshold", "Imaging from"),
    Column("saved", "images saved", "Per 100 «nouns»"),
    Column("missed", "with it, not imaged", "Per 100 «nouns»"),
    Column("net", "saved net", "Per 100 «nouns»"),
    Column("benefit", "Net benefit, found per 100"),
)
_EXAMPLE = 0.2
_NO_BETTER = 0.005  # found per knee
_HEIGHT = 3.5


def deciding_block(audit: Audit, condition: Condition) -> str:
    """The caution, a sentence, the figure and its table; why not, where there is none; empty without any row."""
    found = audit.table("decision_curve").filter(condition=condition.code, adjustment="bias_adjusted")
    usable = found.drop_nulls("net_benefit")
    rows = {(row["strategy"], row["threshold"]): row for row in usable.iter_rows(named=True)}
    by_exam = [row for (strategy, _), row in rows.items() if strategy == "model_exam"]
    if not by_exam:
        return str(found["note"][0] or "") if found.height else ""
    parts = (
        box(NO_REFUSAL, "caution"),
        _in_words(rows, min(by_exam, key=lambda row: abs(row["threshold"] - _EXAMPLE))),
        _figure(condition, usable),
        fold(
            "The same in numbers",
            _table(audit, condition, rows)
            + download(found.drop("condition", "adjustment", "status"), f"imaging-{condition.code}"),
        ),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _in_words(rows: Mapping[tuple[str, float], Mapping[str, Any]], row: Mapping[str, Any]) -> str:
    """What imaging by history and exam saves and misses at one threshold, where it does better than not choosing."""
    everybody = rows.get(("all", row["threshold"]), {}).get("net_benefit") or 0.0
    suppose = f"Suppose one wanted an image from a probability of {percent(row['threshold'])} on."
    knees = f"({counted(row['n'], '«noun»')}, about {row['events']} with it)"
    if row["net_benefit"] <= max(everybody, 0.0) + _NO_BETTER:
        return f"{suppose} Choosing by history and exam is then no better than not choosing at all {knees}."
    return (
        f"{suppose} Of 100 «nouns» like these, imaging by history and exam saves "
        f"{_per_100(100 - row['imaged_per_100'])} images and leaves {_per_100(row['missed_per_100'])} "
        f"«nouns» with the condition without one {knees}. Imaging everybody saves none and misses none."
    )


def _figure(condition: Condition, usable: pl.DataFrame) -> str:
    with style():
        figure = paper(_HEIGHT)
        axes = bare(figure.add_axes((0.14, 0.29, 0.82, 0.61)))
        axes.axhline(0, color=INK, linewidth=0.8)
        shown = usable.filter(pl.col("strategy").is_in(list(_LINES))).sort("threshold")
        exam = shown.filter(strategy="model_exam").drop_nulls(["ci_low", "ci_high"])
        axes.fill_between(exam["threshold"], 100 * exam["ci_low"], 100 * exam["ci_high"], color=BAND, linewidth=0)
        for strategy, (name, colour, dash) in _LINES.items():
            rows = shown.filter(strategy=strategy)
            axes.plot(
                rows["threshold"], 100 * rows["net_benefit"], color=colour, linestyle=dash, linewidth=1.6, label=name
            )
        highest = 100 * float(shown["net_benefit"].max() or 0.0)  # type: ignore[arg-type]
        axes.set_ylim(-0.35 * highest, 1.25 * highest)
        ticks = [tick for tick in (0.1, 0.2, 0.3, 0.4, 0.5) if tick <= float(shown["threshold"].max() or 0)]  # type: ignore[arg-type]
        axes.set_xticks(ticks, [percent(tick) for tick in ticks])
        axes.set_xlabel("probability from which one would want an image")
        axes.set_title("Found per 100, less what needless images cost", loc="left", fontsize=9.5, color=GREY)
        figure.legend(loc="lower left", bbox_to_anchor=(0.05, 0.0), ncol=3, frameon=False, fontsize=9, columnspacing=1)
        caption = (
            f"{condition.name}: the higher a line, the better that way of choosing whom to image, at each probability "
            "from which one would want one; the line at 0 is imaging nobody. The band is the interval of imaging by "
            "history and exam."
        )
        return publish(figure, f"imaging-{condition.code}", caption=caption, alt=_alt(condition, shown), data=shown)


def _alt(condition: Condition, shown: pl.DataFrame) -> str:
    said = []
    for strategy, (name, *_) in _LINES.items():
        rows = shown.filter(strategy=strategy)
        said.append(
            f"{name}, from {100 * rows['net_benefit'][0]:.0f} at {percent(rows['threshold'][0])} to "
            f"{100 * rows['net_benefit'][-1]:.0f} at {percent(rows['threshold'][-1])}"
        )
    return (
        f"Curves of net benefit per 100 «nouns» for {condition.name}. Imaging {'; '.join(said)}; nobody, 0 throughout."
    )


def _table(audit: Audit, condition: Condition, rows: Mapping[tuple[str, float], Mapping[str, Any]]) -> str:
    cells = [
        {
            "strategy": f"Imaging {name}",
            "threshold": percent(row["threshold"]),
            "saved": _per_100(100 - row["imaged_per_100"]),
            "missed": _per_100(row["missed_per_100"]),
            "net": _per_100(row["avoided_per_100"]),
            "benefit": _benefit(row),
        }
        for strategy, (name, *_) in reversed(_LINES.items())
        for (which, _), row in rows.items()
        if which == strategy and strategy != "all"
    ]
    level = percent(audit.protocol.intervals.level)
    caption = f"{condition.name}: images saved and «nouns» missed, {level} interval of the net benefit beneath"
    return table(pl.DataFrame(cells), _COLUMNS, caption=caption, group="strategy")


def _benefit(row: Mapping[str, Any]) -> str:
    limits = "" if row["ci_low"] is None else f"{_per_100(100 * row['ci_low'])} to {_per_100(100 * row['ci_high'])}"
    return f"{_per_100(100 * row['net_benefit'])}\n{limits}"


def _per_100(value: float) -> str:
    """A number per 100 knees: whole from ten on, one decimal below.

    >>> _per_100(51.3), _per_100(2.26), _per_100(0.0), _per_100(-3.4)
    ('51', '2.3', '0', '−3.4')
    """
    if abs(value) < 0.05:
        return "0"
    return (f"{value:.0f}" if abs(value) >= 9.95 else f"{value:.1f}").replace("-", "−")
