"""An agreement day on paper and as a report: the pack that goes to it, and the two pages that come of it."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.contract import Contract
from examtally.errors import ReportError
from examtally.registry.scratch import new_folder, scratch
from examtally.reporting.audit.agreement import agreed
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.numbers import coefficient, counted, listed, percent, percent_range
from examtally.reporting.engine.renderer import render
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.typesetting import typeset
from examtally.reporting.exam_sheet import PAPERS
from examtally.results import Results
from examtally.workbook.agreement_form import Day, day_content, day_form, readings_table

_FORM, _SHEETS, _ORDERS, _READINGS = "form.html", "sheets.pdf", "orders.csv", "readings.csv"
_STEPS = {
    "threshold": "what counts as positive: some examiners call it positive oftener than others",
    "flexion_deg": "how far the joint is bent",
    "end_point": "how the stop is judged",
    "sign": "what is to be felt or seen",
    "grade": "how it is graded",
    "technique": "the technique as a whole: disagreement is scattered, and no recorded step explains it",
}
_FINDINGS = (
    Column("maneuver", "Maneuver"),
    *(Column(f"{name}_agreement", name.capitalize(), "Agreement") for name in ("observed", "positive", "negative")),
    *(Column(name, label, "Chance-corrected") for name, label in (("gwet_ac1", "AC1"), ("kappa", "κ"))),
    Column("pairs", "Pairs"),
)
_MEASURES = (
    Column("maneuver", "Measure"),
    Column("two", "Two examiners differ by up to"),
    Column("icc_2_1", "ICC, one examiner"),
    Column("icc_2_k", "ICC, mean of all"),
    Column("widest", "Widest limits of agreement of two"),
    Column("subjects", "Measured by all"),
)


def write_pack(out: Path, day: Day, contract: Contract, *, paper: str = "a4") -> list[Path]:
    """Write form, paper sheets, orders and an empty file of readings as the new or empty folder `out`, all or none.

    Raises ReportError for another folder, which is left as it is, and where it cannot be written.
    """
    if paper not in PAPERS:
        raise ReportError(f"there is no paper '{paper}'; choose from {', '.join(PAPERS)}")
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise ReportError("the folder for the pack holds something already; name a new or empty one with --out")
    seen = [(examiner, place, *one) for examiner, order in day.orders.items() for place, one in enumerate(order, 1)]
    files = {
        _FORM: day_form(contract, day).encode(),
        _SHEETS: typeset("agreement_sheets", _sheets(contract, day, paper)),
        _ORDERS: _lines(("examiner_id", "place", "participant_id", "side"), seen),
        _READINGS: _lines(readings_table(contract).names, []),
    }
    try:
        with new_folder(out) as folder:
            for name, content in files.items():
                (folder / name).write_bytes(content)
    except OSError as error:
        raise ReportError(f"{out.name} cannot be written: {error.strerror}; choose another --out") from None
    return [out / name for name in files]


def render_agreement_day(found: Results, out_dir: Path, *, formats: Sequence[str] = ("html",)) -> list[Path]:
    """Write the results of a day to `out_dir`/results and render its report beside them; return the pages."""
    with scratch() as inner:
        made = render("agreement_day", found.write(inner / "results"), out_dir, formats=formats, page="agreement-day")
    found.write(out_dir / "results")
    return made


def headline(audit: Audit) -> str:
    """Who examined how many, and what to standardize first, in a few sentences."""
    examiners = audit.table("agreement").filter(group_by="examiner")["group"].n_unique()
    chosen = audit.table("agreement_steps").filter(chosen=True)
    worst = [
        row["maneuver"] for row in _by_agreement(audit).iter_rows(named=True) if row["maneuver"] in chosen["maneuver"]
    ]
    first = [audit.catalogue.maneuvers[code].name for code in worst[:3]]
    said = f"{counted(examiners, 'examiner')} examined the same participants on one day."
    if not first:
        return f"{said} Nobody disagreed on a finding."
    return (
        f"{said} Agree first on how to do and read: **{listed(first)}**. Nobody's findings are taken as the truth here."
    )


def findings(audit: Audit) -> str:
    """Agreement by maneuver, least agreement first."""
    rows = [_finding(audit, row["maneuver"]) for row in _by_agreement(audit).iter_rows(named=True)]
    if not rows:
        return "No finding was written by two examiners."
    return table(
        pl.DataFrame(rows), _FINDINGS, caption="How often two examiners of one joint wrote the same, with 95% limits"
    )


def measures(audit: Audit) -> str:
    """Intraclass correlations and limits of agreement of what was measured."""
    found = audit.table("measure_agreement")
    rows = [_measure(audit, part) for _, part in found.group_by("maneuver", maintain_order=True)]
    if not rows:
        return "Nothing was measured by two examiners."
    caption = "Measures: what two examiners differ by, intraclass correlation (ICC), limits of agreement of two"
    return table(pl.DataFrame(rows), _MEASURES, caption=caption)


def steps(audit: Audit) -> str:
    """For each maneuver in which anybody disagreed: the step to standardize, why, and the catalogue's technique."""
    chosen = {row["maneuver"]: row for row in audit.table("agreement_steps").filter(chosen=True).iter_rows(named=True)}
    order = [row["maneuver"] for row in _by_agreement(audit).iter_rows(named=True) if row["maneuver"] in chosen]
    return "\n\n".join(_step(audit, chosen[code]) for code in order) or "Nothing: nobody disagreed on a finding."


def _step(audit: Audit, row: dict[str, Any]) -> str:
    maneuver = audit.catalogue.maneuvers[row["maneuver"]]
    return f"**{maneuver.name}**: standardize {_STEPS[row['step']]}. {_why(maneuver, row)}\n\n> {maneuver.technique}"


def _why(maneuver: Maneuver, row: dict[str, Any]) -> str:
    if row["step"] == "threshold":
        return f"Shares of positive findings differ between examiners (Cochran's Q, {_p(row['p_value'])})."
    if row["step"] == "technique":
        return f"Positive means here: {maneuver.positive}"
    return (
        f"It differed in {row['differing_disagreed']} of {row['disagreed']} pairs that disagreed on the finding, and "
        f"in {row['differing_agreed']} of {row['agreed']} that agreed."
    )


def _by_agreement(audit: Audit) -> pl.DataFrame:
    rows = audit.table("agreement").filter(pl.col("pairs") > 0, group_by="overall", statistic="gwet_ac1")
    return rows.sort("estimate", "maneuver", nulls_last=True)


def _finding(audit: Audit, code: str) -> dict[str, str]:
    own = audit.table("agreement").filter(maneuver=code, group_by="overall")
    by = {row["statistic"]: row for row in own.iter_rows(named=True)}
    found = agreed(audit, code, "overall")
    assert found is not None
    shares = {name: _share(by[name], is_enough=found.is_enough) for name in by if name.endswith("_agreement")}
    return shares | {
        "maneuver": audit.catalogue.maneuvers[code].name,
        "gwet_ac1": found.ac1_cell,
        "kappa": _coefficient(by["fleiss_kappa"]) if found.is_enough else "",
        "pairs": found.pairs_cell,
    }


def _measure(audit: Audit, part: pl.DataFrame) -> dict[str, str]:
    unit = part["unit"][0]
    whole = {row["statistic"]: row for row in part.filter(group_by="overall").iter_rows(named=True)}
    limits = part.filter(group_by="examiner_pair").pivot("statistic", index="group", values="estimate")
    widest = None
    if {"limit_low", "limit_high"} <= set(limits.columns):
        apart = limits.drop_nulls().with_columns((pl.col("limit_high") - pl.col("limit_low")).alias("apart"))
        widest = apart.sort("apart", "group").tail(1).row(0, named=True) if apart.height else None
    return {
        "maneuver": audit.catalogue.maneuvers[part["maneuver"][0]].name,
        "two": f"{whole['reproducibility']['estimate']:.1f} {unit}" if whole else "",
        **{name: _coefficient(whole[name]) if whole else "" for name in ("icc_2_1", "icc_2_k")},
        "widest": f"{widest['limit_low']:+.1f} to {widest['limit_high']:+.1f} {unit}".replace("-", "−")
        if widest
        else "",
        "subjects": str(whole["icc_2_1"]["subjects"]) if whole else "",
    }


def _share(row: dict[str, Any], *, is_enough: bool) -> str:
    return f"{percent(row['estimate'])}\n{percent_range(row['ci_low'], row['ci_high'])}" if is_enough else "too few"


def _coefficient(row: dict[str, Any]) -> str:
    limits = ""
    if row["ci_low"] is not None and row["ci_high"] is not None:
        limits = f"{coefficient(row['ci_low'])} to {coefficient(row['ci_high'])}"
    return f"{coefficient(row['estimate'])}\n{limits}"


def _p(value: float) -> str:
    return "P < 0.001" if value < 0.001 else f"P = {value:.3f}"


def _sheets(contract: Contract, day: Day, paper: str) -> dict[str, Any]:
    content = day_content(contract, day)
    asked = {one["code"]: one for one in content["maneuvers"]}
    return {
        "paper": PAPERS[paper],
        "caution": content["caution"],
        "legend": ", ".join(f"{one['label']} {one['says']}" for one in content["results"]),
        "sets": [{"examiner": examiner, "subjects": order} for examiner, order in content["orders"].items()],
        "maneuvers": [
            {
                "name": one.name,
                "results": [result["label"] for result in content["results"]],
                "unit": one.unit,
                "grades": asked[one.code]["grades"],
                "stops": [stop["label"] for stop in content["endPoints"]] if one.end_point else [],
            }
            for one in day.maneuvers
        ],
    }


def _lines(heading: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([heading, *rows])
    return text.getvalue().encode()
