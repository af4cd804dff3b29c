"""Which figures lead, which are withheld and why, on a clinic whose truth is known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from known_clinic import KnownClinic, known_clinic
from scipy.special import expit

from examtally.analytics.bias_adjusted.figures import Cells, Summary, measures
from examtally.analytics.bias_adjusted.leading import held_back, logit_covariance, verdict, withheld_of
from examtally.analytics.bias_adjusted.model import chance_at
from examtally.analytics.bias_adjusted.tabulate import Members
from examtally.analytics.bias_adjusted.tipping import tipping_rows
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.results.steps import leading

LACHMAN = {"condition": "acl_tear", "maneuver": "lachman"}
CONDITIONS = ("acl_tear", "pcl_tear", "lcl_injury", "medial_meniscus_tear", "lateral_meniscus_tear", "meniscal_tear")
WORDS = Protocol.defaults(load_contract()).bias_adjusted


@pytest.fixture(scope="module")
def clinic() -> Iterator[KnownClinic]:
    with known_clinic(20317, conditions=CONDITIONS) as made:
        yield made


@pytest.fixture(scope="module")
def table(clinic: KnownClinic) -> pl.DataFrame:
    return leading.leading(clinic.work)


def test_what_is_rarer_than_false_alarms_shows_no_sensitivity_and_says_why(table: pl.DataFrame) -> None:
    rare = table.filter(pl.col("condition").is_in(["pcl_tear", "lcl_injury"]))
    assert rare.height > 20
    assert rare["sensitivity"].null_count() == rare["lr_positive"].null_count() == rare.height
    assert rare["verdict_positive"].null_count() == rare["pre_test"].null_count() == rare.height
    overall = rare.filter(group_by="overall")
    assert set(overall["flag"]) == {"withheld"}
    assert overall["reason"].str.contains("Too rare here|with a reading|are expected here").all()


def test_what_can_be_known_is_shown_with_its_limits_in_order(table: pl.DataFrame) -> None:
    (row,) = table.filter(**LACHMAN, group_by="overall").to_dicts()
    assert row["basis"] == "bias_adjusted"
    assert row["reason"] is row["flag"] is None
    for name in ("sensitivity", "specificity", "lr_positive", "lr_negative", "post_positive", "post_negative"):
        assert row[f"{name}_low"] < row[name] < row[f"{name}_high"]
    assert row["post_negative"] < row["pre_test"] < row["post_positive"]
    assert row["lr_positive"] == pytest.approx(row["sensitivity"] / (1 - row["specificity"]), rel=0.1)
    assert row["verdict_positive"] == "helps"
    assert row["sensitivity_as_recorded"] < row["sensitivity"] < row["sensitivity_far_less"]
    assert row["sensitivity_far_less"] - row["sensitivity_as_recorded"] < 0.06
    assert 0 < row["shared_var_sensitivity"] < row["var_sensitivity"] < 0.2
    withheld = table.filter(pl.col("basis") != "bias_adjusted")
    assert withheld["var_sensitivity"].null_count() == withheld.height > 20


def test_other_beliefs_move_a_figure_by_what_is_expected_of_it(clinic: KnownClinic, table: pl.DataFrame) -> None:
    (row,) = table.filter(**LACHMAN, group_by="overall").to_dicts()
    (each,) = (
        e
        for e in clinic.work.once(leading.leading_estimates)
        if (e.condition, e.members.maneuver, e.members.group_by) == ("acl_tear", "lachman", "overall")
    )
    model, places, right = clinic.models.fitted["acl_tear"], each.members.places, each.members.is_positive
    for name, delta in (("as_recorded", 0.0), ("far_less", -0.8)):
        then, usual = chance_at(model, delta)[places], model.draws.chance[places]
        for measure, knees in (("sensitivity", right), ("specificity", ~right)):
            own = (then, usual) if measure == "sensitivity" else (1 - then, 1 - usual)
            moved = [q[knees].sum() / q.sum() for q in own]
            assert row[f"{measure}_{name}"] == pytest.approx(row[measure] + moved[0] - moved[1], abs=1e-6)


def test_every_measure_of_a_table_is_that_of_its_counts() -> None:
    cells = Cells(*(np.array([[float(n)]]) for n in (40, 10, 20, 130)))
    found = {name: draws.item() for name, draws in measures(cells).items()}
    sensitivity, specificity = 40 / 60, 130 / 140
    positive, negative = sensitivity / (1 - specificity), (1 - sensitivity) / specificity
    assert found == pytest.approx(
        {
            "prevalence": 60 / 200,
            "sensitivity": sensitivity,
            "specificity": specificity,
            "ppv": 40 / 50,
            "npv": 130 / 150,
            "lr_positive": positive,
            "lr_negative": negative,
            "diagnostic_odds_ratio": 40 * 130 / (10 * 20),
            "accuracy": 170 / 200,
        }
    )
    elsewhere = {name: draws.item() for name, draws in measures(cells, 0.1).items()}
    assert elsewhere["ppv"] == pytest.approx(0.1 * sensitivity / (0.1 * sensitivity + 0.9 * (1 - specificity)))
    assert elsewhere["npv"] == pytest.approx(0.9 * specificity / (0.9 * specificity + 0.1 * (1 - sensitivity)))


def test_groups_partition_the_expected_knees(table: pl.DataFrame) -> None:
    pair = table.filter(**LACHMAN)
    whole = pair.filter(group_by="overall")["expected_present"].item()
    for group_by in ("role", "acuity", "sex", "period"):
        assert pair.filter(group_by=group_by)["expected_present"].sum() == pytest.approx(whole)


def test_a_group_too_small_withholds_and_one_with_few_people_counts_only(table: pl.DataFrame) -> None:
    few = table.filter((pl.col("expected_present") < 20) & (pl.col("participants") >= 10))
    assert few.height > 10
    assert few["sensitivity"].null_count() == few.height
    fewer = table.filter(pl.col("participants") < 10)
    assert set(fewer["basis"]) == {"counts_only"}
    assert fewer["specificity"].null_count() == fewer.height


def test_a_composite_is_at_least_as_common_as_any_part(clinic: KnownClinic) -> None:
    fitted = clinic.models.fitted
    parts = [fitted[f"{side}_meniscus_tear"].draws.chance.mean() for side in ("medial", "lateral")]
    assert max(parts) < fitted["meniscal_tear"].draws.chance.mean() <= sum(parts)
    assert fitted["meniscal_tear"].parts == (fitted["medial_meniscus_tear"], fitted["lateral_meniscus_tear"])


def test_the_chains_meet_and_the_models_say_what_they_rest_on(clinic: KnownClinic) -> None:
    models = leading.bias_models(clinic.work)
    assert models["converged"].all()
    assert (models["r_hat"] <= 1.05).all()
    acl = models.filter(condition="acl_tear")
    assert acl["operated"].item() > 50
    assert acl["prevalence_unimaged"].item() < acl["prevalence"].item()
    posterior = leading.reference_posterior(clinic.work).filter(condition="acl_tear", modality="mri")
    assert posterior["both_tests"].min() > 50
    narrower = (posterior["ci_high"] - posterior["ci_low"]) < (posterior["prior_high"] - posterior["prior_low"])
    assert narrower.all()
    assert not posterior["assumed"].any()


def test_a_statement_turns_at_the_delta_where_the_ratio_is_two(clinic: KnownClinic) -> None:
    estimates = clinic.work.once(leading.leading_estimates)
    rows = list(tipping_rows(clinic.models, estimates, clinic.work.protocol))
    overall = {(e.condition, e.members.maneuver): e for e in estimates if e.members.group_by == "overall"}
    assert {(row["condition"], row["maneuver"]) for row in rows} == {k for k, e in overall.items() if not e.withheld}
    turning = [row for row in rows if row["value"] is not None and row["measure"] == "lr_positive"]
    assert len(turning) >= 2
    for row in turning:
        each, model = overall[row["condition"], row["maneuver"]], clinic.models.fitted[row["condition"]]
        at, usual = (
            expected_ratio(each.members, chance) for chance in (chance_at(model, row["value"]), model.draws.chance)
        )
        assert each.figures["lr_positive"].estimate * at / usual == pytest.approx(2.0, rel=0.01)
        assert row["note"].startswith("Holds" if each.figures["lr_positive"].estimate >= 2 else "Does not hold")
    excluding = [row for row in rows if row["measure"] == "lr_negative"]
    assert len(excluding) >= 2
    for row in excluding:
        ratio = overall[row["condition"], row["maneuver"]].figures["lr_negative"].estimate
        assert row["note"].startswith("Holds" if ratio <= 0.5 else "Does not hold")


def expected_ratio(members: Members, chance: np.ndarray) -> float:
    """The likelihood ratio of a positive finding by expected shares, counted plainly."""
    with_it = chance[members.places]
    sensitivity = with_it[members.is_positive].sum() / with_it.sum()
    return sensitivity / ((1 - with_it)[members.is_positive].sum() / (1 - with_it).sum())


@pytest.mark.parametrize(
    ("positive", "negative", "words"),
    [
        ((11, 25), (0.02, 0.09), ("rules_in", "rules_out")),
        ((10, 25), (0.02, 0.1), ("rules_in", "rules_out")),
        ((2.1, 25), (0.02, 0.4), ("helps", "helps")),
        ((1.1, 1.9), (0.6, 0.9), ("no_help", "no_help")),
        ((1.1, 3.0), (0.31, 0.9), ("weak", "weak")),
        ((1.1, 3.4), (0.29, 0.9), ("too_early", "too_early")),
        ((1.0, 2.5), (0.4, 1.0), ("too_early", "too_early")),
        ((1.1, None), (0.0, 0.9), ("too_early", "too_early")),
        ((None, None), (None, None), (None, None)),
    ],
)
def test_verdicts_go_by_the_limits(
    positive: tuple[float, float], negative: tuple[float, float], words: tuple[str, str]
) -> None:
    assert verdict(Summary(1.0, *positive), Summary(1.0, *negative), WORDS) == words


@pytest.mark.parametrize(
    ("present_share", "false_alarms", "prevalence", "r_hat", "withheld"),
    [
        (0.20, 0.05, 0.10, 1.02, set()),
        (0.07, 0.05, 0.10, 1.02, {"sensitivity"}),
        (0.20, 0.05, 0.03, 1.02, {"sensitivity"}),
        (0.20, 0.05, 0.10, 1.20, {"sensitivity", "specificity"}),
    ],
)
def test_false_alarms_and_chains_hold_figures_of_a_condition_back(
    present_share: float, false_alarms: float, prevalence: float, r_hat: float, withheld: set[str]
) -> None:
    model = SimpleNamespace(
        parts=(),
        knees=SimpleNamespace(condition="acl_tear"),
        r_hat=r_hat,
        present_share=present_share,
        false_alarms=false_alarms,
        draws=SimpleNamespace(chance=np.full(10, prevalence)),
    )
    assert set(held_back(model, load_contract())) == withheld  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("spread", "said"), [(0.004, None), (0.02, "may well be fewer than 20"), (None, "are expected here; at least 20")]
)
def test_a_rare_condition_waits_until_enough_surely_have_it(spread: float | None, said: str | None) -> None:
    knees, mean = 1_000, 0.027 if spread else 0.015
    shares = np.random.default_rng(7).normal(mean, spread or 0.001, 400)
    each = Members("posterior_sag", "overall", "all", np.arange(knees), np.ones(knees, bool), 300, 900, (27.0, 973.0))
    if spread is None:
        each = replace(each, expected=(15.0, 985.0))
    figures = dict.fromkeys(("sensitivity", "specificity"), Summary(0.7, 0.5, 0.9))
    found = withheld_of(each, figures, shares, {})
    assert set(found) == ({"sensitivity"} if said else set())
    assert said is None or said in found["sensitivity"]


@pytest.mark.parametrize("told", [0.0, 0.6], ids=["knees say nothing of the reference", "they say much of it"])
def test_groups_share_what_rests_on_belief_about_the_reference(told: float) -> None:
    """Logit sensitivity goes 0.8 with that of the reference, whose variance the knees left so much of."""
    rng = np.random.default_rng(3)
    left = 0.25 * (1 - told)
    reference = 2.0 + np.sqrt(left) * rng.standard_normal(20_000)
    specificity = 2.5 + 0.2 * rng.standard_normal(20_000)
    sensitivity = 0.5 + 0.8 * (reference - 2.0) + 0.3 * rng.standard_normal(20_000)
    model = SimpleNamespace(priors=(SimpleNamespace(spread=0.5),), parameters=np.vstack([0 * reference, reference]))
    model.parts = ()
    found = logit_covariance(model, expit(sensitivity), expit(specificity))
    assert found.whole[0, 0] == pytest.approx(0.8**2 * left + 0.3**2, rel=0.05)
    assert found.shared[0, 0] == pytest.approx(0.8**2 * left * (1 - told), rel=0.05)
    assert found.shared[1, 1] == pytest.approx(0.0, abs=1e-3)
