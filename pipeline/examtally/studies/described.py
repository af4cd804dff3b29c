"""Who and what was studied, as a paper tells it: people, readings, groups side by side, two tests together."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from examtally.cohort.course import read_course
from examtally.cohort.groupings import UNKNOWN, groupings
from examtally.contracts.catalogue.clinical import Catalogue, Condition
from examtally.contracts.results import conform, table_of
from examtally.contracts.study.study import Study
from examtally.results.work import Work
from examtally.studies.declared import OVERALL, in_order

_DONE = ("positive", "negative", "equivocal")
_DAYS = {"least": 0.0, "lower_quartile": 0.25, "median": 0.5, "upper_quartile": 0.75, "most": 1.0}
ANY = "none"  # of another condition: a reference speaks of others and found none


def described_by(catalogue: Catalogue) -> tuple[str, ...]:
    """Groupings of index exams that describe the person and the «noun», none the examiner."""
    people = (OVERALL, "sex", "age_band", "bmi_band", *catalogue.banded)
    return (*people, "acuity", *catalogue.coded, "guarding", "setting")


def group_orders(study: Study) -> dict[str, tuple[str, ...]]:
    """Return the declared groups of every grouping in their order; empty where the records name them."""
    return {one.name: one.order for one in groupings(study.contract, study.protocol)}


def described_tables(study: Study, work: Work, tallies: pl.DataFrame, status: str) -> dict[str, pl.DataFrame]:
    """Return the tables of a study that describe it; those about a reference only where a target has one."""
    made = {"study_participants": participants_table(study, tallies, status)}
    target = study.selection.target
    if target is None or f"status_{target.condition}" not in work.verification_frame.columns:
        return made
    frame = _index_exams(work, study.base.catalogue.conditions[target.condition])
    first = study.analyses[0]
    if first.kind == "paired":
        together = frame.filter(pl.col(f"result_{test}").is_in(_DONE) for test in first.tests)
        made["study_participants"] = table_of("study_participants", list(_by_group(together, study)), status=status)
    parts = {
        "study_description": list(_description(frame, study)),
        "study_arms": list(_arms(frame, study)),
        "study_pairs": list(_pairs(frame, study)),
    }
    return made | {name: table_of(name, rows, status=status) for name, rows in parts.items()}


def participants_table(study: Study, tallies: pl.DataFrame, status: str) -> pl.DataFrame:
    """Return the table `study_participants` of one index test, from the tallies of every grouping.

    It counts the first index test of the first analysis, equivocal findings included.
    """
    condition = study.selection.target.condition if study.selection.target else "none"
    (first, *_) = study.analyses[0].tests
    of_test = tallies.filter(
        pl.col("condition") == condition,
        pl.col("maneuver") == first,
        pl.col("group_by").is_in(described_by(study.base.catalogue)),
    )
    present = pl.col("tp") + pl.col("fn") + pl.col("equivocal_present")
    absent = pl.col("fp") + pl.col("tn") + pl.col("equivocal_absent")
    counted = of_test.select(
        "group_by",
        "group",
        knees=pl.col("done"),
        present=present,
        absent=absent,
        unsettled=pl.col("done") - present - absent,
    )
    return conform("study_participants", counted, status=status)


def _index_exams(work: Work, condition: Condition) -> pl.DataFrame:
    """The index exams of the target condition whose time is over, with what settled it; `status` is told apart."""
    code = condition.code
    frame = pl.concat([work.verification_frame, read_course(work.cohort.con, condition)], how="horizontal")
    status = pl.col(f"status_{code}").cast(pl.String)
    settled = pl.when(status.is_in(["present", "absent"])).then(status).otherwise(pl.lit("unsettled"))
    return frame.filter(pl.col(f"index_{code}") & status.is_not_null()).with_columns(status=settled)


def _by_group(examined: pl.DataFrame, study: Study) -> Iterator[dict[str, object]]:
    """Index exams by what describes the person and the «noun», and what the reference said of them."""
    everybody = examined.with_columns(pl.lit("all").alias(OVERALL))
    for name in described_by(study.base.catalogue):
        for (group,), part in everybody.group_by(pl.col(name).cast(pl.String)):
            counts = _counts(part)
            unsettled = part.height - counts["present"] - counts["absent"]
            yield {"group_by": name, "group": group} | counts | {"unsettled": unsettled}


def _counts(frame: pl.DataFrame) -> dict[str, int]:
    return {"knees": frame.height} | {
        status: frame.filter(pl.col("status") == status).height for status in ("present", "absent")
    }


def _description(frame: pl.DataFrame, study: Study) -> Iterator[dict[str, object]]:
    used = {test for one in study.analyses for test in one.tests}
    examined = frame.filter(pl.any_horizontal(pl.col(f"result_{test}").is_in(_DONE) for test in sorted(used)))
    verified = examined.filter(pl.col("status") != "unsettled")
    for item, column in (("participants", "participant"), ("examiners", "examiner")):
        yield {"item": item, "group": "all", **_counts(examined), "value": float(examined[column].n_unique())}
    for item, of in (("examiner_knew", examined), ("settled_by", verified), ("reader_knew", verified)):
        for (group,), part in of.group_by(pl.col(item).cast(pl.String).fill_null(UNKNOWN), maintain_order=True):
            yield {"item": item, "group": group, **_counts(part), "value": None}
    days = verified["days"].drop_nulls()
    for group, share in _DAYS.items() if days.len() else ():
        yield {"item": "days", "group": group, **_counts(verified), "value": days.quantile(share, "linear")}
    yield from _found(verified, study)


def _found(verified: pl.DataFrame, study: Study) -> Iterator[dict[str, object]]:
    """How severe the condition was, and which others the same knees had."""
    assert study.selection.target is not None
    code = study.selection.target.condition
    severity = f"severity_{code}"
    if severity in verified.columns:
        is_told = (pl.col("status") == "present") | pl.col(severity).is_not_null()
        for (group,), part in verified.filter(is_told).group_by(pl.col(severity).cast(pl.String).fill_null(UNKNOWN)):
            yield {"item": "severity", "group": group, **_counts(part), "value": None}
    conditions = study.base.catalogue.conditions
    own = {code, *conditions[code].derived_from}
    others = [
        one
        for one in conditions.values()
        if f"status_{one.code}" in verified.columns and one.code not in own and not one.derived_from
    ]
    for other in others:
        part = verified.filter(pl.col(f"status_{other.code}").cast(pl.String) == "present")
        if part.height:
            yield {"item": "other_condition", "group": other.code, **_counts(part), "value": None}
    if others:
        read = [pl.col(f"status_{one.code}").cast(pl.String) for one in others]
        is_read = pl.any_horizontal(one.is_in(["present", "absent"]).fill_null(value=False) for one in read)
        is_found = pl.any_horizontal((one == "present").fill_null(value=False) for one in read)
        part = verified.filter(is_read & ~is_found)
        yield {"item": "other_condition", "group": ANY, **_counts(part), "value": None}


def _arms(frame: pl.DataFrame, study: Study) -> Iterator[dict[str, object]]:
    """Each compared group, by what describes the person and the knee."""
    compared = {str(one.group_by): one.tests[0] for one in reversed(study.analyses) if one.kind == "by_group"}
    for group_by, test in compared.items():
        if group_by not in frame.columns:
            continue
        examined = frame.filter(pl.col(f"result_{test}").is_in(_DONE))
        for (group,), part in examined.group_by(pl.col(group_by).cast(pl.String)):
            for line in _by_group(part, study):
                if line["group_by"] != group_by:
                    of = {"described_by": line.pop("group_by"), "description": line.pop("group")}
                    yield {"group_by": group_by, "group": group} | of | line


def _pairs(frame: pl.DataFrame, study: Study) -> Iterator[dict[str, object]]:
    """Two tests of a comparison on the same knees, by what the reference said."""
    pairs = dict.fromkeys(in_order(one.tests, study) for one in study.analyses if one.kind == "paired")
    for a, b in pairs:
        results = pl.col("status", f"result_{a}", f"result_{b}").cast(pl.String)
        for (status, result_a, result_b), part in frame.group_by(results):
            yield {
                "test_a": a,
                "test_b": b,
                "condition_status": status,
                "result_a": result_a,
                "result_b": result_b,
                "knees": part.height,
                "participants": part["participant"].n_unique(),
            }
