"""The page of several groups together: each beside the others, what all say, and what a further group would find."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl
from scipy.special import expit

from examtally.analytics.site_pooling.pooling import own_interval
from examtally.analytics.site_pooling.tables import NOBODY
from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.contract import load_contract
from examtally.errors import ReportError
from examtally.reporting.audit.forest import Row, forest
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import DASH, counted, listed, percent, percent_range
from examtally.reporting.engine.project import given
from examtally.reporting.engine.tables import Column, details, table
from examtally.reporting.engine.wording import Wording, inside_sentence, read_wording, speak_of
from examtally.reporting.plain import box, bullets
from examtally.results import read_results

OTHERS = 5
"""Other groups that must stand beside one before it is set against them."""

_MEASURES = {"sensitivity": "Sensitivity", "specificity": "Specificity"}
_WIDE = 0.3  # an interval wider than this answers little
_ALIKE, _APART = 0.2, 0.6  # spread of the logits between groups below, and above which, it is called small or large
_COLUMNS = (
    Column("what", "Maneuver"),
    Column("measure", "Figure", words=True),
    Column("pooled", "All groups\n95% CI"),
    Column("new", "A further group\n95% prediction"),
    Column("apart", "Groups differ", words=True),
    Column("sites", "Groups"),
)
_OWN = (
    Column("what", "Maneuver"),
    Column("measure", "Figure", words=True),
    Column("own", "This group\n95% CI"),
    Column("others", "The others\n95% CI"),
    Column("new", "Expected\n95% range"),
    Column("said", "Compared", words=True),
)


@dataclass(frozen=True, eq=False)
class Network:
    """Summaries of groups and what they say together, with the words to tell it in."""

    summaries: pl.DataFrame
    pooled: pl.DataFrame
    catalogue: Catalogue
    wording: Wording

    @property
    def sites(self) -> list[str]:
        """Codes of the groups."""
        return [str(code) for code in self.summaries["site_code"].unique().sort()]

    @cached_property
    def pairs(self) -> list[tuple[str, str]]:
        """Condition and maneuver of every pair, in the order of the catalogue."""
        there = set(self.summaries.select("condition", "maneuver").unique().rows())
        return [pair for pair in self.catalogue.pairs if pair in there]

    def name(self, pair: tuple[str, str]) -> str:
        """The maneuver, with the condition where it serves several."""
        condition, maneuver = (self.catalogue.conditions[pair[0]], self.catalogue.maneuvers[pair[1]])
        shared = len(maneuver.conditions) > 1
        return f"{maneuver.name} ({inside_sentence(condition.name)})" if shared else maneuver.name

    def row(
        self, pair: tuple[str, str], measure: str, *, without: str = NOBODY, adjustment: str = "bias_adjusted"
    ) -> Mapping[str, Any] | None:
        """One row of the table `pooled_sites`; None where there is none."""
        found = self.pooled.filter(
            condition=pair[0], maneuver=pair[1], measure=measure, without=without, adjustment=adjustment
        )
        return found.row(0, named=True) if found.height else None

    def own(self, pair: tuple[str, str]) -> list[dict[str, Any]]:
        """What each group shows of a pair."""
        return self.summaries.filter(condition=pair[0], maneuver=pair[1]).sort("site_code").to_dicts()


def open_network(folder: Path | str = "results", reports_dir: Path = Path()) -> Network:
    """Read what the cells of the page need; raises ReportError where the folder is not what `pool` wrote."""
    results = read_results(given(folder))
    if not {"site_summaries", "pooled_sites"} <= results.tables.keys():
        raise ReportError("these results are of one group; name the folder that `examtally pool` wrote")
    catalogue = load_contract(str(results.provenance.protocol["joint"])).catalogue
    speak_of(catalogue.noun)
    return Network(results.site_summaries, results.pooled_sites, catalogue, read_wording(reports_dir))


def opening(page: Network) -> str:
    """What these figures are, which can be pooled, and what only all groups together can answer."""
    pooled = [pair for pair in page.pairs if _estimate(page, pair, "sensitivity") is not None]
    words = [
        f"{counted(len(page.sites), 'group')} gave a summary each; no records were shared. "
        f"{counted(len(pooled), 'maneuver')} can be pooled."
    ]
    if len(pooled) < len(page.pairs):
        words.append(
            f"{counted(len(page.pairs) - len(pooled), 'further pair')} of maneuver and condition came from fewer than "
            "four groups. Their figures stand side by side, for how far groups differ cannot be known."
        )
    gained = [page.name(pair) for pair in pooled if _is_gained(page, pair)]
    if gained:
        words.append(
            f"No single group could tell the sensitivity of {listed(gained)} to within {percent(_WIDE)}; together they "
            "can."
        )
    note = (
        "All groups took the same for granted of the reference tests. What that leaves unsure does not average out "
        "over groups, and is inside every interval here."
    )
    return f"{bullets('In short', words)}\n\n{note}\n{box(page.wording.caution, 'caution')}"


def _is_gained(page: Network, pair: tuple[str, str]) -> bool:
    row = page.row(pair, "sensitivity")
    narrow = row is not None and row["ci_high"] - row["ci_low"] <= _WIDE
    return narrow and all(high - low > _WIDE for low, high in (_span(one, "sensitivity") for one in page.own(pair)))


def together(page: Network) -> str:
    """One table of all pairs that can be pooled."""
    rows = [line for pair in page.pairs for line in _lines(page, pair)]
    if not rows:
        return "No pair came from four groups or more."
    return table(pl.DataFrame(rows), _COLUMNS, caption="Accuracy over all groups", group="condition")


def _lines(page: Network, pair: tuple[str, str]) -> Iterator[dict[str, str]]:
    for measure, word in _MEASURES.items():
        row = page.row(pair, measure)
        if row is not None and row["estimate"] is not None:
            yield {
                "condition": page.catalogue.conditions[pair[0]].name,
                "what": page.catalogue.maneuvers[pair[1]].name,
                "measure": word,
                "pooled": _cell(row["estimate"], row["ci_low"], row["ci_high"]),
                "new": percent_range(row["predict_low"], row["predict_high"]),
                "apart": _apart(row["between_sd"]),
                "sites": str(row["sites"]),
            }


def _apart(spread: float) -> str:
    return "little" if spread < _ALIKE else "much" if spread > _APART else "somewhat"


def side_by_side(page: Network) -> str:
    """A figure of the groups for each core maneuver; the others under a fold."""
    core: list[str] = []
    rest: list[str] = []
    for pair in page.pairs:
        is_core = page.catalogue.conditions[pair[0]].core and page.catalogue.maneuvers[pair[1]].core
        (core if is_core else rest).append(_forest(page, pair))
    parts = core if core else rest[:1]
    further = rest if core else rest[1:]
    if further:
        parts.append(details(f"Further maneuvers ({len(further)})", "\n\n" + "\n\n".join(further) + "\n\n"))
    return "\n\n".join(parts)


def _forest(page: Network, pair: tuple[str, str]) -> str:
    rows = [Row(one["site_code"], _shown(one, "sensitivity"), _shown(one, "specificity")) for one in page.own(pair)]
    every = [page.row(pair, measure) for measure in _MEASURES]
    if every[0] is not None and every[0]["estimate"] is not None and every[1] is not None:
        figures = [Estimate(m, r["estimate"], r["ci_low"], r["ci_high"], 0, 0, 0, shown=True, note="")
                   for m, r in zip(_MEASURES, every, strict=True) if r is not None]  # fmt: skip
        spans = [(r["predict_low"], r["predict_high"]) for r in every if r is not None]
        rows.append(Row("All groups", figures[0], figures[1], spans[0], spans[1]))
    name = page.name(pair)
    band = (
        " The band behind all groups is where a further group is expected." if len(rows) > len(page.own(pair)) else ""
    )
    told = listed([f"{row.name} {row.sensitivity.spoken} and {row.specificity.spoken}" for row in rows])
    return forest(
        rows,
        f"network-{pair[0]}-{pair[1]}",
        caption=f"{name}: each group, and all together.{band}",
        alt=f"Sensitivity and specificity of {inside_sentence(name)} by group: {told}.",
    )


def against_the_others(page: Network, site: str | None) -> str:
    """One group beside the pooled others, pair by pair; from five others on."""
    if site is None:
        return ""
    if site not in page.sites:
        raise ReportError(f"there is no group {site}; use one of {', '.join(page.sites)}")
    if len(page.sites) <= OTHERS:
        return (
            f"\n## {site} beside the others\n\n{site} is not set against the others: that takes {OTHERS} "
            f"others, so that the figures of none can be worked out, and there are {len(page.sites) - 1}.\n"
        )
    rows = [line for pair in page.pairs for line in _own_lines(page, pair, site)]
    if not rows:
        return f"\n## {site} beside the others\n\nNo pair of {site} has five other groups beside it.\n"
    words = (
        "*Outside*: the group's interval lies apart from where 95 of 100 groups like the others would be. People, "
        "imaging and examiners differ between groups; ask these first."
    )
    shown = table(pl.DataFrame(rows), _OWN, caption=f"{site} beside the others")
    return f"\n## {site} beside the others\n\n{words}\n\n{shown}\n"


def _own_lines(page: Network, pair: tuple[str, str], site: str) -> Iterator[dict[str, str]]:
    for measure, word in _MEASURES.items():
        rest = page.row(pair, measure, without=site)
        mine = [one for one in page.own(pair) if one["site_code"] == site]
        if rest is None or rest["estimate"] is None or rest["sites"] < OTHERS or not mine:
            continue
        value, (low, high) = float(expit(mine[0][f"logit_{measure}"])), _span(mine[0], measure)
        is_inside = high >= rest["predict_low"] and low <= rest["predict_high"]
        yield {
            "what": page.name(pair),
            "measure": word,
            "own": _cell(value, low, high),
            "others": _cell(rest["estimate"], rest["ci_low"], rest["ci_high"]),
            "new": percent_range(rest["predict_low"], rest["predict_high"]),
            "said": "as expected" if is_inside else "outside",
        }


def _estimate(page: Network, pair: tuple[str, str], measure: str) -> float | None:
    row = page.row(pair, measure)
    return None if row is None else row["estimate"]


def _span(one: Mapping[str, Any], measure: str) -> tuple[float, float]:
    """The 95% interval of a group's own figure."""
    return own_interval(one[f"logit_{measure}"], one[f"var_{measure}"])


def _shown(one: Mapping[str, Any], measure: str) -> Estimate:
    low, high = _span(one, measure)
    right, wrong = ("tp", "fn") if measure == "sensitivity" else ("tn", "fp")
    value = float(expit(one[f"logit_{measure}"]))
    return Estimate(measure, value, low, high, one[right], one[right] + one[wrong], 0, shown=True, note="")


def _cell(value: float | None, low: float | None, high: float | None) -> str:
    return DASH if value is None else f"{percent(value)}\n{percent_range(low, high)}"
