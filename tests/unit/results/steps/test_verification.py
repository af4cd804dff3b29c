"""The tables about partial verification, from hand-made registries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import polars as pl
import pytest
from begg_greenes import begg_greenes
from clinic import Records, connect
from ignorance_bounds import ignorance_bounds
from selective import Imaging, Knees, draw

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.analytics.verification_bias.aipw import aipw
from examtally.analytics.verification_bias.counts import VerificationCounts
from examtally.analytics.verification_bias.knees import every_condition
from examtally.analytics.verification_bias.tables import VerificationTables, verification_tables, with_corrected
from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import read_verification_frame, verification_groups
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import conform

LIVER = VerificationCounts(231, 32, 166, 27, 54, 140)
LACHMAN = {"condition": "acl_tear", "maneuver": "lachman", "group_by": "overall"}
STATUSES = ("present", "absent", None)
Finding = tuple[str, str, str | None]


def of_counts(counts: VerificationCounts) -> list[Finding]:
    numbers = iter(getattr(counts, name) for name in counts.__dataclass_fields__)
    return [
        ("lachman", result, status)
        for result in ("positive", "negative")
        for status in STATUSES
        for _ in range(int(next(numbers)))
    ]


def registry(findings: Iterable[Finding]) -> Records:
    records = Records()
    for number, (maneuver, result, status) in enumerate(findings, 1):
        records.exam(f"EX{number}", f"PT{number}").finding(f"EX{number}", maneuver, result)
        if status:
            records.reference("acl_tear", status, participant_id=f"PT{number}")
    return records.exam("EX0", "PT0", period="2021-01")


def analyzed(
    records: Records, contract: Contract, conditions: Sequence[str] = ("acl_tear",), **protocol: object
) -> tuple[pl.DataFrame, VerificationTables]:
    """The tables of a registry under a protocol, corrected for these conditions alone."""
    resolved = load_protocol(protocol, contract)
    with build_cohort(connect(contract, records), contract, resolved) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, resolved)
        every = every_condition(frame, contract, resolved)
        every = {code: every[code] for code in conditions}
        tables = verification_tables(every, verification_groups(cohort.groupings), resolved)
        tallies = conform("tallies", cohort.tallies())
        accuracy = with_corrected(accuracy_table(tallies, None, contract, resolved), tables)
    return accuracy, tables


def row(table: pl.DataFrame, **key: str) -> dict[str, object]:
    return table.filter(**LACHMAN | key).row(0, named=True)


@pytest.fixture(scope="module")
def liver(contract: Contract) -> tuple[pl.DataFrame, VerificationTables]:
    return analyzed(registry(of_counts(LIVER)), contract, load_protocol({}, contract).reference.accepted)


def test_with_one_maneuver_alone_every_correction_is_begg_and_greenes(
    liver: tuple[pl.DataFrame, VerificationTables],
) -> None:
    """Drum & Christacopoulos 1972 as corrected by Begg & Greenes, Biometrics 1983;39:207–215."""
    accuracy, _ = liver
    printed = begg_greenes(LIVER)
    for measure, value, limits in (
        ("sensitivity", printed.sensitivity, printed.sens_logit),
        ("specificity", printed.specificity, printed.spec_logit),
    ):
        simple = row(accuracy, adjustment="begg_greenes", measure=measure)
        assert (simple["ci_low"], simple["ci_high"]) == pytest.approx(limits, abs=1e-9)
        for adjustment in ("verification", "begg_greenes", "ipw"):
            assert row(accuracy, adjustment=adjustment, measure=measure)["estimate"] == pytest.approx(value, abs=1e-8)
        imputed = row(accuracy, adjustment="multiple_imputation", measure=measure)
        assert imputed["estimate"] == pytest.approx(value, abs=0.02)
        assert str(imputed["note"]).startswith("Fraction of missing information 0.")
    assert row(accuracy, adjustment="verification", measure="ppv")["estimate"] == pytest.approx(printed.ppv, abs=1e-8)
    assert row(accuracy, adjustment="none", measure="sensitivity")["estimate"] == pytest.approx(231 / 258)


def test_bounds_and_shares_of_the_liver_scan(liver: tuple[pl.DataFrame, VerificationTables]) -> None:
    accuracy, tables = liver
    bounds = ignorance_bounds(LIVER)
    found = row(tables.bounds, measure="sensitivity")
    assert (found["lower"], found["upper"]) == (bounds.sens_min, bounds.sens_max)
    assert (found["ci_low"], found["ci_high"]) == pytest.approx(bounds.sens_ci)
    assert (found["unverified_positive"], found["unverified_negative"]) == (166, 140)
    shown = row(accuracy, adjustment="bounds", measure="sensitivity")
    assert shown["estimate"] is None
    assert shown["ci_low"] == found["ci_low"]
    shares = tables.verification.filter(condition="acl_tear", maneuver="lachman")
    assert shares.select("result", "exams", "verified").rows() == [("positive", 429, 263), ("negative", 221, 81)]
    assert shares["share"].to_list() == pytest.approx([263 / 429, 81 / 221])
    models = tables.models.filter(condition="acl_tear")
    assert models["model"].to_list() == ["verification", "disease", "imputation"]
    assert models["terms"].unique().to_list() == ["lachman_positive"]
    assert models["max_weight"][0] == pytest.approx(221 / 81)


def test_counts_beside_a_corrected_figure_are_those_of_the_verified(
    liver: tuple[pl.DataFrame, VerificationTables],
) -> None:
    accuracy, _ = liver
    found = row(accuracy, adjustment="verification", measure="sensitivity")
    assert (found["n"], found["events"], found["participants"]) == (258, 231, 258)
    assert found["generalises_to"] == "these_examiners"


def test_without_a_verified_negative_there_are_only_bounds(contract: Contract) -> None:
    accuracy, tables = analyzed(registry(of_counts(VerificationCounts(30, 25, 20, 0, 0, 60))), contract)
    for adjustment in ("verification", "begg_greenes", "ipw", "multiple_imputation"):
        for measure in ("sensitivity", "specificity", "lr_positive", "prevalence"):
            found = row(accuracy, adjustment=adjustment, measure=measure)
            assert found["estimate"] is found["ci_low"] is None
            assert found["flag"] == "bounds_only"
            assert found["note"] == "No «noun» with a negative finding was verified: only bounds can be given."
    assert row(tables.bounds, measure="sensitivity")["lower"] == 30 / 90
    assert tables.models.is_empty()


def test_too_few_verified_knees_fall_back_on_the_finding_alone(contract: Contract) -> None:
    counts = VerificationCounts(30, 12, 20, 6, 14, 60)
    for few, words in (
        (counts, None),
        (VerificationCounts(12, 20, 20, 6, 14, 60), "18 with the condition (at least 20 required)"),
        (VerificationCounts(30, 8, 20, 6, 11, 60), "19 without it (at least 20 required)"),
        (VerificationCounts(30, 25, 20, 4, 5, 60), "9 with a negative finding (at least 10 required)"),
    ):
        accuracy, _ = analyzed(registry(of_counts(few)), contract)
        found = row(accuracy, adjustment="verification", measure="sensitivity")
        assert found["estimate"] == pytest.approx(begg_greenes(few).sensitivity, abs=1e-9)
        assert found["flag"] == (None if words is None else "too_few_verified")
        assert words is None or words in str(found["note"])


def test_where_only_bounds_are_possible_nothing_is_said_of_a_figure_that_is_not_there(contract: Contract) -> None:
    accuracy, _ = analyzed(registry(of_counts(VerificationCounts(30, 15, 20, 0, 9, 60))), contract)
    found = row(accuracy, adjustment="verification", measure="sensitivity")
    assert found["estimate"] is None
    assert found["note"] == "A cell of the verified «nouns» is empty: only bounds can be given."
    other = row(accuracy, adjustment="verification", measure="specificity")
    assert other["estimate"] is not None
    assert "Begg and Greenes" in str(other["note"])


@pytest.mark.parametrize(
    "findings",
    [
        [("lachman", "equivocal", "present")] * 30 + [("lachman", "equivocal", None)] * 30,
        [("lachman", "not_done", None)] * 10,
        [("gone", "", None)][:0],
        of_counts(VerificationCounts(40, 0, 10, 30, 0, 10)),
        of_counts(VerificationCounts(40, 0, 10, 0, 30, 10)),
        of_counts(VerificationCounts(40, 30, 0, 0, 0, 0)),
    ],
    ids=["all equivocal", "nobody performed it", "no records", "one class", "perfect separation", "all positive"],
)
def test_nothing_pretends_to_be_an_estimate(findings: list[Finding], contract: Contract) -> None:
    accuracy, _ = analyzed(registry(findings), contract)
    corrected = accuracy.filter(~pl.col("adjustment").is_in(["none", "bounds"]), **LACHMAN)
    assert corrected.height == 4 * 9
    empty = corrected.filter(pl.col("estimate").is_null())
    assert empty["note"].null_count() == 0
    shares = corrected.filter(~pl.col("measure").is_in(["lr_positive", "lr_negative", "diagnostic_odds_ratio"]))
    assert not shares["estimate"].is_in([0.0, 1.0]).any()
    assert empty.filter(pl.col("measure").is_in(["lr_positive", "diagnostic_odds_ratio"]))["adjustment"].n_unique() == 4


MANEUVERS = ("lachman", "anterior_drawer", "pivot_shift")


def of_knees(knees: Knees) -> Records:
    """Records of a drawn cohort: effusion and acuity in the exam, three maneuvers, MRI of the verified."""
    records = Records()
    seen: dict[int, int] = {}
    for number, person in enumerate(knees.person.tolist(), 1):
        seen[person] = seen.get(person, 0) + 1
        side = ("left", "right")[seen[person] - 1]
        records.exam(
            f"EX{number}", f"PT{person}", side=side, complaint="yes",
            effusion="moderate" if knees.effusion[number - 1] else "none",
            days_since_onset=3 if knees.acute[number - 1] else 200,
            setting=("clinic", "urgent_care")[number % 2],
        )  # fmt: skip
        for maneuver, positive in zip(MANEUVERS, knees.findings[number - 1], strict=True):
            records.finding(f"EX{number}", maneuver, "positive" if positive else "negative")
        if knees.verified[number - 1]:
            status = "present" if knees.present[number - 1] else "absent"
            records.reference("acl_tear", status, participant_id=f"PT{person}", side=side)
    return records.exam("EX0", "PT999999", period="2021-01")


@pytest.fixture(scope="module")
def clinic() -> Knees:
    return draw(700, Imaging(-2.4, (1.0, 1.0, 1.0), effusion=1.2, acute=0.9), np.random.default_rng(12))


@pytest.fixture(scope="module")
def corrected(clinic: Knees, contract: Contract) -> tuple[pl.DataFrame, VerificationTables]:
    return analyzed(of_knees(clinic), contract)


def test_the_table_gives_what_the_plain_function_gives(
    clinic: Knees, corrected: tuple[pl.DataFrame, VerificationTables]
) -> None:
    accuracy, tables = corrected
    covariates = np.column_stack([clinic.covariates, np.arange(1, 701) % 2])
    for place, maneuver in enumerate(MANEUVERS):
        plain = aipw(clinic.findings[:, place], clinic.present, clinic.verified, covariates, clinic.person)
        for measure in ("sensitivity", "specificity", "prevalence", "ppv", "npv", "lr_positive", "lr_negative"):
            found = row(accuracy, maneuver=maneuver, adjustment="verification", measure=measure)
            figure = getattr(plain, measure)
            expected = (figure.estimate, figure.ci_low, figure.ci_high)
            assert (found["estimate"], found["ci_low"], found["ci_high"]) == pytest.approx(expected, abs=1e-7)
    models = tables.models.row(0, named=True)
    assert models["maneuver"] == "all"
    assert models["left_out"] is None
    assert models["terms"] == (
        "lachman_positive, anterior_drawer_positive, pivot_shift_positive, effusion_moderate, acuity_acute, "
        "setting_urgent_care"
    )


def test_groups_large_enough_are_corrected_and_say_what_the_models_do_not_know(
    corrected: tuple[pl.DataFrame, VerificationTables],
) -> None:
    accuracy, _ = corrected
    by_group = accuracy.filter(
        adjustment="verification", condition="acl_tear", maneuver="lachman", measure="sensitivity"
    )
    assert set(by_group["group_by"]) >= {"overall", "acuity", "effusion", "setting", "sex"}
    assert by_group.filter(group_by="acuity")["note"].to_list() == [None, None]
    assert by_group.filter(group_by="sex")["note"].to_list() == ["The models do not know the grouping by sex."]
    overall = by_group.filter(group_by="overall")["estimate"].item()
    low, high = by_group.filter(group_by="acuity")["estimate"]
    assert min(low, high) < overall < max(low, high)


def test_predictive_values_follow_the_prevalence_of_the_protocol(contract: Contract) -> None:
    findings = of_counts(VerificationCounts(40, 20, 10, 10, 30, 40))
    accuracy, _ = analyzed(registry(findings), contract, predictive_values={"prevalence": 0.5})
    key = {"adjustment": "verification"}
    ratio, ppv = (row(accuracy, measure=name, **key)["estimate"] for name in ("lr_positive", "ppv"))
    assert ppv == pytest.approx(ratio / (1 + ratio))  # odds 1 before


def test_few_verified_knees_leave_terms_out_and_give_a_maneuver_its_own_models(contract: Contract) -> None:
    knees = draw(230, Imaging(-2.2, (1.0, 1.0, 1.0), effusion=1.2, acute=0.9), np.random.default_rng(31))
    records = of_knees(knees)
    rng = np.random.default_rng(5)
    for finding in records.rows("findings"):  # levels of their own use up the terms
        if rng.random() < 0.15:
            finding["result"] = "equivocal"
        elif rng.random() < 0.15:
            finding["result"] = "not_done"
    verified, events = int(knees.verified.sum()), int((knees.verified & knees.present).sum())
    most = min(events, verified - events) // 5
    accuracy, tables = analyzed(records, contract)
    models = tables.models.filter(model="disease")
    assert most < 9
    for terms, left_out in models.select("terms", "left_out").iter_rows():
        assert len(terms.split(", ")) <= most
        assert "acuity" in left_out
    own = models.filter(pl.col("maneuver") != "all")
    assert own.height > 0
    for maneuver, terms in own.select("maneuver", "terms").iter_rows():
        assert terms.startswith(maneuver)
        found = row(accuracy, maneuver=maneuver, adjustment="verification", measure="sensitivity")
        assert "Its models are its own" in str(found["note"])


def test_a_condition_the_examiner_states_does_not_help_to_model_itself(contract: Contract) -> None:
    assert contract.catalogue.conditions["knee_effusion"].stated_in == ("effusion",)
    records = Records()
    rng = np.random.default_rng(2)
    for number in range(1, 301):
        present = rng.random() < 0.4
        seen = rng.random() < (0.8 if present else 0.2)
        records.exam(f"EX{number}", f"PT{number}", effusion="small" if present else "none", days_since_onset=number)
        records.finding(f"EX{number}", "sweep_test", "positive" if seen else "negative")
        if rng.random() < (0.8 if seen else 0.4):
            records.reference("knee_effusion", "present" if present else "absent", participant_id=f"PT{number}")
    _, tables = analyzed(records.exam("EX0", "PT0", period="2021-01"), contract, ["knee_effusion"])
    terms = tables.models.filter(condition="knee_effusion")["terms"][0]
    assert "effusion_" not in terms
    assert "acuity" in terms


def test_entering_each_person_twice_as_another_knee_leaves_the_errors(contract: Contract) -> None:
    """The well known trap: a copy of each knee under the same participant adds nothing."""
    once = of_knees(draw(300, Imaging(-1.6, (1.0, 1.0, 1.0), 1.2, 0.9), np.random.default_rng(9)))
    twice = Records({name: [*rows] for name, rows in once.tables.items()})
    for name in ("exams", "findings", "references"):
        for entry in once.rows(name):
            copy = dict(entry)
            copy |= {key: f"{copy[key]}-2" for key in ("exam_id", "reference_id") if key in copy}
            copy |= {"episode": 2} if "episode" in copy else {}
            twice.add(name, **copy)
    widths = []
    for records in (once, twice):
        accuracy, _ = analyzed(records, contract)
        width = pl.col("ci_high") - pl.col("ci_low")
        widths.append(accuracy.filter(adjustment="verification", **LACHMAN).select(width)["ci_high"].to_numpy())
    np.testing.assert_allclose(widths[1], widths[0], rtol=0.015)
