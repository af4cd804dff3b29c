"""Results folders made up for the reports: invented records, counted and analysed by the package's own code."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from shared import shared_folder

from examtally.analytics.agreement.tables import agreement_table
from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.leading import leading_estimates
from examtally.analytics.bias_adjusted.model import BiasModels, bias_models
from examtally.analytics.bias_adjusted.tables import bias_models_table, leading_table, reference_posterior_table
from examtally.analytics.calibration.tables import calibration_tables
from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table, post_test_table, scenario_table
from examtally.analytics.examiner_effects.tables import pooling_tables
from examtally.analytics.learning_curves.tables import learning_table
from examtally.cohort.cohort import Cohort, build_cohort
from examtally.cohort.groupings import read_examiners
from examtally.cohort.learning_frame import read_learning_frame, read_supervisor_counts
from examtally.cohort.monitoring import read_watched
from examtally.cohort.pairs import read_pairs
from examtally.cohort.scenarios import read_scenarios
from examtally.cohort.status_frame import read_status_frames
from examtally.cohort.verification_frame import read_verification_frame, verification_groups
from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.protocol.protocol import Protocol, canonical_hash
from examtally.contracts.records.ddl import create_statements
from examtally.contracts.results import conform, empty
from examtally.results.results import Provenance, Results, split_persons
from examtally.results.steps.indicators import held_back_by_period, indicator_frame

ROLES = (
    "attending",
    "attending",
    "fellow",
    "resident",
    "resident",
    "student",
    "physical_therapist",
    "student",
    "resident",
)
MODELLED = ("acl_tear", "mcl_injury", "medial_meniscus_tear")
"""The conditions that have leading and pooled figures, which take long to make; the others are told from counts."""
RESAMPLES = 200
Records = dict[str, list[dict[str, object]]]


def records(contract: Contract, exams: int, examiners: int, *, seed: int, imaged: bool = True) -> Records:
    """Invent a clinic: each person comes with one knee, one in five is examined twice, half are imaged."""
    draw = np.random.default_rng(seed)
    made: Records = {name: [] for name in contract.tables}
    for number in range(examiners):
        made["examiners"].append(
            {"examiner_id": f"EX-{number + 1:02}", "role": ROLES[number % len(ROLES)], "site_id": f"S{number % 3 + 1}"}
        )
    people = max(1, round(exams / 1.2)) if exams else 0
    for number in range(people):
        _person(made, contract, draw, number, examiners, imaged=imaged)
    return made


def _person(
    made: Records, contract: Contract, draw: np.random.Generator, number: int, examiners: int, *, imaged: bool
) -> None:
    person, side = f"P-{number + 1:05}", ("left", "right")[int(draw.integers(2))]
    conditions = contract.catalogue.conditions
    truth = {code: bool(draw.random() < (0.3 if item.core else 0.12)) for code, item in conditions.items()}
    for code, item in conditions.items():
        if item.derived_from:
            truth[code] = any(truth[part] for part in item.derived_from)
    made["participants"].append(
        {
            "participant_id": person,
            "age_years": int(draw.integers(13, 75)),
            "sex": str(draw.choice(["female", "male", "male", "unknown"])),
            "bmi": int(draw.integers(19, 38)),
        }
    )
    period = f"P{int(draw.integers(1, 19)):03}"
    positives = 0
    for order in range(1 + int(draw.random() < 0.2)):
        exam = f"EX{number + 1:05}-{order + 1}"
        made["exams"].append(_exam(draw, exam, person, side, order, period, examiners))
        positives += _findings(made, contract, draw, exam, truth)
        for code in (code for code, item in conditions.items() if item.core):
            for stage, skill in (("after_history", 0.8), ("after_exam", 2.2)):
                logit = skill * (2 * truth[code] - 1) + draw.normal(0, 1)
                stated = round(float(1 / (1 + np.exp(-logit))) * 20) / 20
                made["impressions"].append({"exam_id": exam, "condition": code, "stage": stage, "probability": stated})
    if imaged and draw.random() < min(0.9, 0.25 + 0.06 * positives):
        for code, item in conditions.items():
            if item.modalities and not item.derived_from:
                made["references"].append(
                    _reading(draw, number, person, side, code, item.modalities, present=truth[code])
                )


def _exam(
    draw: np.random.Generator, exam: str, person: str, side: str, order: int, period: str, examiners: int
) -> dict[str, object]:
    return {
        "exam_id": exam,
        "participant_id": person,
        "side": side,
        "episode": 1,
        "examiner_id": f"EX-{int(draw.integers(examiners)) + 1:02}",
        "examiner_order": order + 1,
        "period": period,
        "exam_day": 0,
        "complaint": "no" if draw.random() < 0.1 else "yes",
        "other_knee": "normal",
        "setting": str(draw.choice(["clinic", "clinic", "urgent_care", "sideline"])),
        "days_since_onset": int(draw.integers(0, 160)),
        "mechanism": str(draw.choice(["noncontact_twist", "landing", "fall", "unknown"])),
        "effusion": str(draw.choice(["none", "small", "moderate", "large", "unknown"])),
        "guarding": str(draw.choice(["yes", "no", "no", "unknown"])),
        "prior_surgery": "yes" if draw.random() < 0.05 else "no",
        "reference_known": "no",
        "other_exam_known": "no",
    }


def _findings(made: Records, contract: Contract, draw: np.random.Generator, exam: str, truth: dict[str, bool]) -> int:
    positives = 0
    for code, maneuver in contract.catalogue.maneuvers.items():
        if draw.random() < (0.05 if maneuver.core else 0.3):
            continue
        chance = 0.75 if any(truth[item] for item in maneuver.conditions) else 0.2
        result = "positive" if draw.random() < chance else "negative"
        if draw.random() < 0.08:
            result = str(draw.choice(["equivocal", "not_done"]))
        reason = {"equivocal": "pain", "not_done": "guarding"}.get(result)
        positives += result == "positive"
        made["findings"].append({"exam_id": exam, "maneuver": code, "result": result, "reason": reason})
    return positives


def _reading(
    draw: np.random.Generator,
    number: int,
    person: str,
    side: str,
    code: str,
    modalities: tuple[str, ...],
    *,
    present: bool,
) -> dict[str, object]:
    modality = "mri" if "mri" in modalities else modalities[0]
    return {
        "reference_id": f"R-{number + 1:05}-{modality[:2].upper()}",
        "participant_id": person,
        "side": side,
        "episode": 1,
        "modality": modality,
        "reference_day": 2,
        "condition": code,
        "status": "indeterminate" if draw.random() < 0.02 else "present" if present else "absent",
        "exam_known": "unknown",
    }


def connection(contract: Contract, made: Records) -> duckdb.DuckDBPyConnection:
    """Hold records in memory under the catalog an analysis reads."""
    con = duckdb.connect()
    con.execute("attach ':memory:' as reg")
    for statement in create_statements(contract):
        con.execute(statement)
    for name, rows in made.items():
        if not rows:
            continue
        frame = pl.DataFrame(rows, infer_schema_length=None)
        columns = ", ".join(frame.columns)
        con.register("rows", frame.to_arrow())
        con.execute(f'insert into reg."{name}" ({columns}, batch_no) select {columns}, 1 from rows')
        con.unregister("rows")
    return con


def write_results(folder: Path, made: Records, *, with_examiners: bool = False) -> Path:
    """Analyse records and write the results folder a report reads."""
    contract = load_contract()
    protocol, modelled = Protocol.defaults(contract), _with_few_conditions(contract)
    with connection(contract, made) as con, build_cohort(con, contract, protocol) as cohort:
        tallies = conform("tallies", cohort.tallies())
        accuracy = accuracy_table(tallies, cohort.role_clusters(), contract, protocol)
        fewer = replace(protocol, calibration=replace(protocol.calibration, bootstrap=RESAMPLES))
        calibration = calibration_tables(cohort.forecasts(), contract, fewer)
        knees = read_verification_frame(cohort.con, cohort.groupings, contract, protocol)
        known = _status(cohort, knees, modelled, protocol)
        pooling = pooling_tables(knees, read_examiners(cohort.con), modelled, protocol, known)
        pairs = read_pairs(cohort.con, protocol, with_examiners=with_examiners)
        cases = read_learning_frame(cohort.con, protocol)
        supervisors = read_supervisor_counts(cohort.con, protocol)
        lines = bookkeeping(made)
        watched = read_watched(cohort.con, contract, protocol)
        newest = watched.periods.tail(1).select(pl.lit(1, pl.Int64).alias("batch_no"), "period")
        held = held_back_by_period(lines["batches"], newest)
        other = scenario_table(read_scenarios(cohort, con, contract, protocol), accuracy, contract)
        frames = {
            "tallies": tallies,
            "accuracy": pl.concat([accuracy, pooling.accuracy]),
            **_leading(cohort, known[1], modelled, protocol),
            "examiner_spread": pooling.spread,
            "examiner_probability": pooling.probability,
            "agreement": conform("agreement", agreement_table(pairs, contract, protocol)),
            "learning": conform("learning", learning_table(cases, supervisors, protocol)),
            "sensitivity_analyses": conform("sensitivity_analyses", other),
            "post_test": post_test_table(accuracy, protocol),
            "flow": conform("flow", cohort.flow()),
            "cohort_summary": conform("cohort_summary", cohort.summary()),
            "calibration": calibration.calibration,
            "calibration_curve": calibration.curves,
            "indicators": conform("indicators", indicator_frame(watched, held, tallies, protocol)),
            **lines,
        }
    if not with_examiners:
        frames = {name: split_persons(frame)[0] for name, frame in frames.items()}
    plain = protocol.to_dict()
    provenance = Provenance("0" * 64, plain, canonical_hash(plain), protocol.calibration.seed, {"examtally": "0.1.0"})
    return Results(frames, provenance).write(folder)


def shared_results(parent: Path) -> Path:
    """The results of 900 exams by nine examiners, rows about persons included, made once in a run of tests."""

    def make(folder: Path) -> None:
        write_results(folder, records(load_contract(), 900, 9, seed=20260301), with_examiners=True)

    return shared_folder(parent, "report-clinic", make)


def _with_few_conditions(contract: Contract) -> Contract:
    conditions = {code: contract.catalogue.conditions[code] for code in MODELLED}
    return replace(contract, catalogue=replace(contract.catalogue, conditions=conditions))


def _status(
    cohort: Cohort, knees: pl.DataFrame, contract: Contract, protocol: Protocol
) -> tuple[StatusRecords, BiasModels]:
    """What tells of the status of every knee, and the models of who has each condition."""
    status = read_status_frames(cohort.con, contract, protocol)
    records = StatusRecords.of(knees, status.exams, status.readings, status.others)
    return records, bias_models(records, contract, protocol)


def _leading(cohort: Cohort, models: BiasModels, contract: Contract, protocol: Protocol) -> dict[str, pl.DataFrame]:
    """The leading estimate and what it is made of."""
    found = tuple(leading_estimates(models, verification_groups(cohort.groupings), contract, protocol))
    return {
        "leading": conform("leading", leading_table(found, protocol)),
        "reference_posterior": conform("reference_posterior", reference_posterior_table(models, protocol)),
        "bias_models": conform("bias_models", bias_models_table(models, protocol)),
    }


def bookkeeping(made: Records) -> dict[str, pl.DataFrame]:
    """One batch that stored nearly everything, and what it held back."""
    rows = [
        {
            "batch_no": 1,
            "table": name,
            "lines": len(lines) + 3,
            "stored": len(lines),
            "unchanged": 1,
            "conflict": 0,
            "waiting": 0,
            "held_back": 2,
        }
        for name, lines in made.items()
        if lines
    ]
    if not rows:
        return {name: empty(name) for name in ("batches", "held_back", "intake_checks")}
    held = [
        {
            "batch_no": 1,
            "table": "findings",
            "kind": "held_back",
            "column": "result",
            "rule": "findings.result.enum",
            "lines": 2,
        }
    ]
    check = {
        "batch_no": 1,
        "table": "findings",
        "rule": "findings.result.enum",
        "expectation": "expect_column_values_to_be_in_set",
        "rows": 900,
        "checked": 900,
        "unexpected": 2,
        "raised": False,
    }
    return {
        "batches": conform("batches", pl.DataFrame(rows)),
        "held_back": conform("held_back", pl.DataFrame(held)),
        "intake_checks": conform("intake_checks", pl.DataFrame([check])),
    }
