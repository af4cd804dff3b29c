"""What several findings say together: any of them, all of them, against what multiplying would give; patterns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.condition_page.added import model_sentence
from examtally.reporting.condition_page.page import names_of
from examtally.reporting.engine.aims import AIMS, fold
from examtally.reporting.engine.numbers import coefficient, count, counted, percent, percent_range, ratio, ratio_range
from examtally.reporting.engine.tables import Column, download, table
from examtally.reporting.engine.wording import inside_sentence

_RULES = {"any_of": "Any of them positive", "all_of": "All of them positive"}
_GIVEN = {"present": "with the condition", "absent": "without it"}
_OVER = {"sensitivity": "Sensitivity", "specificity": "Specificity"}
_RULE_COLUMNS = (
    Column("rule", "Counts as positive"),
    Column("sensitivity", "Sensitivity"),
    Column("specificity", "Specificity"),
)
_COUNTED_COLUMNS = (
    Column("rule", "Counts as positive"),
    *(
        Column(f"{measure}_{kind}", kind, _OVER[measure])
        for measure in BOTH
        for kind in ("counted", "multiplied")
    ),
)  # fmt: skip
_PAIR_COLUMNS = (
    Column("given", "«Nouns»"),
    Column("observed", "Both positive"),
    Column("multiplied", "If multiplied"),
    Column("phi", "Going together"),
)
_PATTERN_COLUMNS = (
    Column("pattern", "Pattern"),
    Column("lr", "Likelihood ratio"),
    Column("model", "By a model"),
    Column("present", "With it"),
    Column("absent", "Without it"),
)
_FEW = (
    "*Few* stands where a pattern was seen in fewer than 10 «nouns»: there read the ratio by a model, which lends a "
    "rare pattern the «nouns» of similar ones.\n"
)
_BEYOND = 0.05  # distance of a multiplied figure from the counted one that is worth a word


def together_block(audit: Audit, condition: Condition) -> str:
    """Rules of the maneuvers done most, and beneath them dependence and patterns on verified knees; empty where too few
    knees have every finding.
    """
    rows = _usable_patterns(audit, condition)
    if not rows:
        return ""
    chosen = tuple(str(rows[0]["maneuvers"]).split(", "))
    every = [some for size in range(2, len(chosen) + 1) for some in combinations(chosen, size)]
    beneath = (
        _in_words(audit, condition, chosen),
        _counted(audit, condition, every),
        _dependence(audit, condition, chosen),
        _patterns(audit, condition, chosen, rows),
    )
    inner = "\n\n".join(part.strip("\n") for part in beneath if part)
    parts = (
        _rules(audit, condition, list(dict.fromkeys([chosen[:2], chosen]))),
        fold("What multiplying would give, and each pattern, on verified «nouns» only", f"\n{inner}\n"),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def section(audit: Audit) -> str:
    """The part of the annex: for each core condition its main maneuvers as one test, or that it is too early."""
    blocks = [block for item in audit.settled if item.core and (block := _in_short(audit, item))]
    if not blocks:
        return "Too few verified «nouns» have findings of two maneuvers for one condition."
    return "\n\n".join(blocks)


def _in_short(audit: Audit, condition: Condition) -> str:
    rows = _usable_patterns(audit, condition)
    if not rows:
        return ""
    chosen = tuple(str(rows[0]["maneuvers"]).split(", "))
    body = f"{model_sentence(audit, condition)}\n\n{_rules(audit, condition, [chosen]).strip()}".strip()
    return f"### {condition.name}, several findings\n\n{body}" if body else ""


def _usable_patterns(audit: Audit, condition: Condition) -> list[dict[str, Any]]:
    """Patterns of the maneuvers done most; none where too few people have every finding."""
    rows = audit.table("patterns").filter(condition=condition.code).rows(named=True)
    return rows if rows and rows[0]["participants"] >= audit.min_participants else []


def _found(
    audit: Audit, condition: Condition, chosen: Sequence[str], rule: str, measure: str, adjustment: str
) -> Mapping[str, Any]:
    """One figure of a rule over a set of maneuvers; empty where it is not there or too few people stand behind it."""
    rows = audit.table("combinations").filter(
        condition=condition.code, adjustment=adjustment, rule=rule, measure=measure
    )
    for row in rows.iter_rows(named=True):
        if set(row["maneuvers"].split(", ")) == set(chosen):
            is_shown = row["estimate"] is not None and row["participants"] >= audit.min_participants
            return row if is_shown and row["flag"] != "too_few" else {}
    return {}


def _in_words(audit: Audit, condition: Condition, chosen: Sequence[str]) -> str:
    """How far multiplying lies from what was counted, for all positive."""
    row = _found(audit, condition, chosen, "all_of", "sensitivity", "none")
    if not row or row["if_independent"] is None:
        return ""
    wrong = abs(row["if_independent"] - row["estimate"])
    so = (
        "Multiplying would mislead."
        if wrong >= _BEYOND
        else "Here multiplying would come close; elsewhere it need not."
    )
    names = names_of(audit, chosen)
    return (
        f"In verified «nouns» with the condition, {names} were all positive in {count(row['events'])} of "
        f"{count(row['n'])} ({percent(row['estimate'])}). Multiplying their single figures would have given "
        f"{percent(row['if_independent'])}. {so}"
    )


def _rules(audit: Audit, condition: Condition, sets: Sequence[Sequence[str]]) -> str:
    """Any of and all of some sets, for all examined knees; why not, where no figure can be shown."""
    rows: list[dict[str, str]] = []
    for some in sets:
        for rule, words in _RULES.items():
            found = {one: _found(audit, condition, some, rule, one, "bias_adjusted") for one in BOTH}
            if any(found.values()):
                rows.append({"set": _set(audit, some), "rule": words} | {one: _pair(row) for one, row in found.items()})
    kept = audit.table("combinations").filter(condition=condition.code, adjustment="bias_adjusted")
    if not rows:
        return next(iter(kept["note"].drop_nulls()), "Too few «nouns» to estimate.")
    caption = f"{condition.name}: several maneuvers as one test, 95% interval beneath"
    data = kept.select("rule", "maneuvers", "measure", "estimate", "ci_low", "ci_high", "participants", "note")
    return table(pl.DataFrame(rows), _RULE_COLUMNS, caption=caption, group="set") + download(
        data, f"together-{condition.code}"
    )


def _set(audit: Audit, codes: Sequence[str]) -> str:
    return "; ".join(audit.catalogue.maneuvers[code].name for code in codes)


def _pair(row: Mapping[str, Any]) -> str:
    return f"{percent(row['estimate'])}\n{percent_range(row['ci_low'], row['ci_high'])}" if row else "too few"


def _counted(audit: Audit, condition: Condition, sets: Sequence[Sequence[str]]) -> str:
    """The same as counted on verified knees, beside what multiplying would give."""
    rows: list[dict[str, str]] = []
    for some in sets:
        for rule, words in _RULES.items():
            found = {one: _found(audit, condition, some, rule, one, "none") for one in BOTH}
            if any(found.values()):
                rows.append({"set": _set(audit, some), "rule": words} | _rule_cells(found))
    if not rows:
        return ""
    caption = f"{condition.name}: several maneuvers as one test, {AIMS['none'].name}"
    return table(pl.DataFrame(rows), _COUNTED_COLUMNS, caption=caption, group="set")


def _rule_cells(found: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    cells = {}
    for measure, row in found.items():
        limits = percent_range(row["ci_low"], row["ci_high"]) if row else ""
        cells[f"{measure}_counted"] = (
            f"{percent(row['estimate'])}\n{limits}\n{row['events']} of {row['n']}" if row else "too few"
        )
        cells[f"{measure}_multiplied"] = percent(row["if_independent"]) if row else ""
    return cells


def _dependence(audit: Audit, condition: Condition, chosen: Sequence[str]) -> str:
    rows = [
        {
            "pair": f"{audit.catalogue.maneuvers[row['maneuver_a']].name} and "
            f"{inside_sentence(audit.catalogue.maneuvers[row['maneuver_b']].name)}",
            "given": f"{_GIVEN[row['given']]}\n{counted(row['n'], '«noun»')}",
            "observed": percent(row["observed"]),
            "multiplied": percent(row["if_independent"]),
            "phi": f"{coefficient(row['phi'])}\n{_between(row)}",
        }
        for row in audit.table("dependence").filter(condition=condition.code).iter_rows(named=True)
        if {row["maneuver_a"], row["maneuver_b"]} <= set(chosen)
        and row["participants"] >= audit.min_participants
        and row["phi"] is not None
    ]
    if not rows:
        return ""
    caption = f"{condition.name}: do two findings go together (0: not at all, 1: always the same), {AIMS['none'].name}"
    return table(pl.DataFrame(rows), _PAIR_COLUMNS, caption=caption, group="pair")


def _between(row: Mapping[str, Any]) -> str:
    return "" if row["ci_low"] is None else f"{coefficient(row['ci_low'])} to {coefficient(row['ci_high'])}"


def _patterns(audit: Audit, condition: Condition, chosen: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    names = [audit.catalogue.maneuvers[code].name for code in chosen]
    cells = [
        {
            "pattern": f"{'/'.join(row['pattern']).replace('-', '−')}\n{_pattern_in_words(row['pattern'], names)}",
            "lr": "few"
            if row["flag"] == "too_few"
            else f"{ratio(row['lr'])}\n{ratio_range(row['ci_low'], row['ci_high'])}",
            "model": ratio(row["model_lr"]),
            "present": count(row["present"]),
            "absent": count(row["absent"]),
        }
        for row in rows
    ]
    caption = (
        f"{condition.name}: what each pattern of {names_of(audit, chosen)} is worth, in that "
        f"order, in {counted(rows[0]['n'], '«noun»')} with all of these findings, {AIMS['none'].name}"
    )
    data = pl.DataFrame(rows, infer_schema_length=None).drop("condition", "status")
    few = _FEW if any(row["flag"] == "too_few" for row in rows) else ""
    return (
        few
        + table(pl.DataFrame(cells), _PATTERN_COLUMNS, caption=caption)
        + download(data, f"patterns-{condition.code}")
    )


def _pattern_in_words(pattern: str, names: Sequence[str]) -> str:
    """Which findings are positive."""
    positive = [name for sign, name in zip(pattern, names, strict=True) if sign == "+"]
    if len(positive) in (0, len(names)):
        return "all positive" if positive else "all negative"
    return f"positive: {'; '.join([positive[0], *map(inside_sentence, positive[1:])])}"
