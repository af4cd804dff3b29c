"""What the exam adds to the history: forecasts before and after the exam, on the same verified knees."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.aims import AIMS, fold
from examtally.reporting.engine.numbers import (
    counted,
    percent,
    percent_range,
    points,
    ratio,
    ratio_range,
    score,
    signed,
)
from examtally.reporting.engine.tables import Column, download, table

_WHOSE = {"model": "A model of the history, then of history and findings", "examiner": "What examiners wrote down"}
_MEASURES = {"auc": "Discrimination (AUC)", "log_score": "Log score", "brier": "Brier score"}
_COLUMNS = (
    Column("measure", "Measure"),
    Column("before", "History"),
    Column("after", "History and exam"),
    Column("change", "Change"),
)
_TERM_COLUMNS = (Column("term", "History item or finding"), Column("odds", "Multiplies the odds by"))
_TERMS = {
    "age_decades": "age, per ten years",
    "age_decades_squared": "age, per ten years, squared",
    "onset_log_days": "days since onset, per step of the logarithm",
}
_MISSING = ("_no_finding", "_unknown")  # levels that say how records are kept, nothing of the «noun»


def added_block(audit: Audit, condition: Condition) -> str:
    """Sentences, the table and the terms of the model; why not, where there is no figure; empty without any row."""
    rows = audit.table("added_value").filter(condition=condition.code).rows(named=True)
    usable = [row for row in rows if row["difference"] is not None]
    if not usable:
        return str(rows[-1]["note"] or "") if rows else ""
    lacking = {row["note"] for row in rows if row["difference"] is None and row["note"]}
    discrimination = [row for row in usable if row["measure"] == "auc"]
    sentences = [_sentence(row) for whose in _WHOSE for row in discrimination if _whose(row) == whose]
    beneath = (_corrected(audit, condition), _table(audit, condition, usable), _terms(audit, condition))
    inner = "\n\n".join(part.strip("\n") for part in beneath if part)
    parts = (
        "\n".join(f"- {sentence}" for sentence in sentences),
        "\n".join(f"- {note}" for note in sorted(lacking)),
        fold("Other scores, and what each finding weighs in the model", f"\n{inner}\n"),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def model_sentence(audit: Audit, condition: Condition) -> str:
    """What the exam added to the history by the model, in a sentence; empty where there is no model."""
    rows = audit.table("added_value").filter(condition=condition.code, measure="auc", forecast_a="model_history")
    return "".join(_sentence(row) for row in rows.iter_rows(named=True) if row["difference"] is not None)


def _whose(row: Mapping[str, Any]) -> str:
    return str(row["forecast_a"]).split("_")[0]


def _sentence(row: Mapping[str, Any]) -> str:
    """What the exam added, in points of discrimination, or that it cannot be told."""
    who = "By the model" if _whose(row) == "model" else "By what examiners wrote down"
    limits = "" if row["ci_low"] is None else f" ({points(row['ci_low'])} to {points(row['ci_high'])})"
    seen = (
        f"{who}, discrimination (AUC) was {percent(row['estimate_a'])} with the history and "
        f"{percent(row['estimate_b'])} with history and exam: {points(row['difference'])} points{limits}, in "
        f"{counted(row['n'], 'verified «noun»')}, {row['events']} with the condition."
    )
    if row["ci_low"] is not None and row["ci_low"] > 0:
        return f"**The exam adds to the history.** {seen}"
    if row["ci_high"] is not None and row["ci_high"] < 0:
        return f"**The exam made the forecast worse.** {seen}"
    return f"**Too early to say whether the exam adds to the history.** {seen}"


def _corrected(audit: Audit, condition: Condition) -> str:
    """How well the models do once it is taken off how much a model flatters itself."""
    found = {
        row["model"]: f"{percent(row['corrected'])} ({percent_range(row['ci_low'], row['ci_high'])})"
        for row in audit.table("diagnostic_models")
        .filter(condition=condition.code, measure="auc")
        .iter_rows(named=True)
        if row["corrected"] is not None
    }
    if set(found) != {"model_history", "model_exam"}:
        return ""
    return (
        f"A model looks better on the «nouns» it was made from than on others. Corrected for that (.632+ bootstrap), "
        f"discrimination is {found['model_history']} with the history and {found['model_exam']} with history and exam."
    )


def _table(audit: Audit, condition: Condition, rows: list[dict[str, Any]]) -> str:
    cells = [
        {
            "whose": f"{_WHOSE[_whose(row)]}: {counted(row['n'], '«noun»')}",
            "measure": _MEASURES[row["measure"]],
            **{name: _value(row, f"estimate_{side}") for name, side in (("before", "a"), ("after", "b"))},
            "change": _change(row),
        }
        for whose in _WHOSE
        for measure in _MEASURES
        for row in rows
        if _whose(row) == whose and row["measure"] == measure
    ]
    level = percent(audit.protocol.intervals.level)
    caption = f"{condition.name}: before and after the exam, {AIMS['none'].name}, {level} interval beneath"
    data = pl.DataFrame(rows, infer_schema_length=None).drop("condition", "status")
    return table(pl.DataFrame(cells), _COLUMNS, caption=caption, group="whose") + download(
        data, f"added-{condition.code}"
    )


def _value(row: Mapping[str, Any], key: str) -> str:
    return percent(row[key]) if row["measure"] == "auc" else score(row[key])


def _change(row: Mapping[str, Any]) -> str:
    if row["measure"] == "auc":
        limits = "" if row["ci_low"] is None else f"{points(row['ci_low'])} to {points(row['ci_high'])}"
        return f"{points(row['difference'])} points\n{limits}"
    limits = "" if row["ci_low"] is None else f"{signed(row['ci_low'])} to {signed(row['ci_high'])}"
    return f"{signed(row['difference'])}\n{limits}"


def _terms(audit: Audit, condition: Condition) -> str:
    """What each history item and finding does to the odds in the model of history and exam."""
    rows = [
        {
            "term": _term(audit, row["term"]),
            "odds": f"{ratio(row['lr'])}\n{ratio_range(row['ci_low'], row['ci_high'])}",
        }
        for row in audit.table("model_terms").filter(condition=condition.code, model="model_exam").iter_rows(named=True)
        if not row["term"].endswith(_MISSING)
    ]
    if not rows:
        return ""
    caption = (
        f"{condition.name}: what each history item or finding does to the odds beside all the others, drawn toward 1; "
        "not the likelihood ratio of a finding by itself; what was not recorded is in the model, not in the table"
    )
    return table(pl.DataFrame(rows), _TERM_COLUMNS, caption=caption)


def _term(audit: Audit, code: str) -> str:
    """A term of the model in words, its level beneath."""
    if code in _TERMS:
        return _TERMS[code]
    names = {item.code: item.name for item in audit.catalogue.maneuvers.values()}
    names |= {item.code: item.label for item in audit.catalogue.history.values()}
    for name in sorted(names, key=len, reverse=True):
        if code.startswith(f"{name}_"):
            return f"{names[name]}\n{code.removeprefix(f'{name}_').replace('_', ' ')}"
    return code.replace("_", " ")
