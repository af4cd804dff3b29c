"""The public tables `roc`, `auc` and `level_ratios`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_accuracy.measures import proportion
from examtally.analytics.roc.area import Area, area
from examtally.analytics.roc.levels import fourfolds, level_ratios
from examtally.analytics.roc.scales import Findings, Level, Scale, unit_words
from examtally.analytics.verification_bias.grouped import Grouped
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

_BINARY = ("pain", "sign")
_ONLY_VERIFIED = "Verified «nouns» only."
_MOST_THRESHOLDS = 60


@dataclass(frozen=True)
class GradedTables:
    """The tables `roc`, `auc` and `level_ratios`."""

    roc: pl.DataFrame
    auc: pl.DataFrame
    level_ratios: pl.DataFrame


@dataclass
class _AreaRows:
    roc: list[dict[str, object]] = field(default_factory=list)
    auc: list[dict[str, object]] = field(default_factory=list)
    levels: list[dict[str, object]] = field(default_factory=list)


def graded_tables(
    knees: Mapping[str, ConditionKnees], recorded: pl.DataFrame, contract: Contract, protocol: Protocol
) -> GradedTables:
    """Return what grades, measures, end points, pain and signs tell of each condition, on verified knees.

    `knees` are those of `compared_knees`, `recorded` is the cohort's graded frame. A measure is cut at whole units.
    Where a negative finding has no grade see `Findings`.

    Sources: see `area`, `level_ratios`, `figures.proportion`.
    """
    by_maneuver = {str(name): part for (name,), part in recorded.group_by("maneuver", maintain_order=True)}
    collected = _AreaRows()
    for of in knees.values():
        for code in of.maneuvers:
            findings = Findings(of, contract.catalogue.maneuvers[code], by_maneuver.get(code))
            for scale in findings.scales():
                key = {"condition": of.condition, "maneuver": code, "scale": scale.name}
                _collect(findings, scale, key, protocol, collected)
    return GradedTables(
        table_of("roc", collected.roc),
        table_of("auc", collected.auc),
        table_of("level_ratios", collected.levels),
    )


def _collect(findings: Findings, scale: Scale, key: dict[str, str], protocol: Protocol, collected: _AreaRows) -> None:
    """Rows of one scale."""
    kept = ~np.isnan(scale.value)
    value, present, person = scale.value[kept], findings.present[kept], findings.person[kept]
    grouped = Grouped.of(person)
    minimum = protocol.display.min_participants
    people = [np.unique(person[side]).size for side in (present, ~present)]
    collected.roc += [key | row for row in _thresholds(findings, scale, value, present, grouped, protocol)]
    if scale.name not in _BINARY:
        found = area(value, present, person if grouped.is_repeated.any() else None, level=protocol.intervals.level)
        numbers = {name: getattr(found, name) for name in ("estimate", "ci_low", "ci_high", "n", "events")}
        remark = _area_remark(found, min(people), minimum, scale)
        collected.auc.append(key | numbers | {"participants": np.unique(person).size} | remark)
    if scale.levels:
        made = level_ratios(
            value, present, person, levels=[level.value for level in scale.levels], choice=protocol.intervals
        )
        for place, level in enumerate(scale.levels):
            row = {
                "place": place, "level": level.code, "label": level.label,
                "present": made.present[place], "absent": made.absent[place],
                "lr": made.lr[place], "ci_low": made.low[place], "ci_high": made.high[place],
                "step": made.step[place] if scale.is_ordered else np.nan,
                "step_low": made.step_low[place] if scale.is_ordered else np.nan,
                "step_high": made.step_high[place] if scale.is_ordered else np.nan,
                "present_all": int(present.sum()), "absent_all": int((~present).sum()),
            }  # fmt: skip
            collected.levels.append(key | row | _level_remark(row, min(people), minimum, scale))


def _thresholds(
    findings: Findings, scale: Scale, value: np.ndarray, present: np.ndarray, grouped: Grouped, protocol: Protocol
) -> Iterator[dict[str, object]]:
    """Rows of `roc`."""
    levels = scale.levels or _cuts(findings, value)
    if not scale.is_ordered:
        levels = levels[1:]
    rules = [value >= level.value if scale.is_ordered else value == level.value for level in levels]
    table = fourfolds(grouped, present, rules)
    made = {name: proportion(table, name, protocol.intervals) for name in ("sensitivity", "specificity")}
    people = table.participant.count
    for place, level in enumerate(levels):
        row: dict[str, object] = {"threshold": level.value, "rule": level.rule}
        row |= dict(zip(("tp", "fp", "fn", "tn"), table.cells[place].astype(int).tolist(), strict=True))
        for name, figures in made.items():
            row[name] = figures.estimate[place]
            row[f"{name}_low"], row[f"{name}_high"] = figures.limits.low[place], figures.limits.high[place]
        row["participants"] = int(people["all"][place])
        fewest = min(people["present"][place], people["absent"][place])
        yield row | _few(fewest, protocol.display.min_participants, scale)


def _cuts(findings: Findings, value: np.ndarray) -> tuple[Level, ...]:
    """Whole units between the lowest and the highest measure, no more than can be read."""
    whole = np.unique(np.floor(value))
    if whole.size > _MOST_THRESHOLDS:
        whole = np.unique(np.floor(np.quantile(value, np.linspace(0, 1, _MOST_THRESHOLDS))))
    return tuple(Level(float(cut), f"{cut:g}", "", unit_words(findings.maneuver, float(cut))) for cut in whole)


def _few(people: float, minimum: int, scale: Scale) -> dict[str, object]:
    few = people < minimum
    said = f"Fewer than {minimum} participants with, or without, the condition: too few to estimate." if few else ""
    return {"flag": "too_few" if few else "", "note": " ".join(filter(None, (_ONLY_VERIFIED, scale.left_out, said)))}


def _area_remark(found: Area, people: int, minimum: int, scale: Scale) -> dict[str, object]:
    said = _few(people, minimum, scale)
    why = ""
    if found.estimate is None:
        why = " All these «nouns» have the condition, or none has: no area."
    elif found.ci_low is None:
        why = " No limits: too few people of one kind, or the two kinds do not overlap."
    return {"flag": "not_estimable" if why else said["flag"], "note": f"{said['note']}{why}"}


def _level_remark(row: Mapping[str, object], people: int, minimum: int, scale: Scale) -> dict[str, object]:
    said = _few(people, minimum, scale)
    if not np.isfinite(row["lr"]):  # type: ignore[call-overload]
        never = not row["present"] and not row["absent"]
        why = "No «noun» of this level." if never else "This level was found on one side only: no ratio."
        said = {"flag": said["flag"] or ("not_estimable" if never else "zero_cell"), "note": f"{said['note']} {why}"}
    return said
