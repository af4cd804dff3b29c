"""Combinations, dependence and patterns: invariances, a known dependence, and what cannot be estimated."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from examtally.analytics.test_combinations.combinations import combine
from examtally.analytics.test_combinations.dependence import dependence
from examtally.analytics.test_combinations.joint import JointFindings
from examtally.analytics.test_combinations.joint_tables import combinations_table, dependence_table, patterns_table
from examtally.analytics.test_combinations.patterns import patterns
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol

CONTRACT = load_contract()
PROTOCOL = Protocol.defaults(CONTRACT)
ACL = tuple(m for c, m in CONTRACT.catalogue.pairs if c == "acl_tear")


def dependent(n: int, seed: int, shared: float) -> JointFindings:
    """Two maneuvers that see a knee alike with chance `shared`; sensitivity 0.7 and 0.6, specificity 0.9 and 0.8."""
    rng = np.random.default_rng(seed)
    present = rng.random(n) < 0.4
    common, own = rng.random(n), rng.random((n, 2))
    drawn = np.where((rng.random(n) < shared)[:, None], common[:, None], own)
    chance = np.where(present[:, None], [0.7, 0.6], [0.1, 0.2])
    return JointFindings.of(drawn < chance, present)


def frame(n: int, seed: int = 1, **columns: object) -> pl.DataFrame:
    """A diagnostic frame with findings of the cruciate maneuvers, two knees a person now and then."""
    rng = np.random.default_rng(seed)
    present = rng.random(n) < 0.4
    drawn = {m: np.where(rng.random(n) < np.where(present, 0.7, 0.15), "positive", "negative") for m in ACL}
    others = {f"result_{m}": ["not_recorded"] * n for m in CONTRACT.catalogue.maneuvers}
    unknown = {f"present_{c}": [None] * n for c in PROTOCOL.reference.accepted}
    data = {"participant": rng.integers(max(n * 9 // 10, 1), size=n), **others, **unknown, "present_acl_tear": present}
    data |= {f"result_{m}": values for m, values in drawn.items()} | columns
    return pl.DataFrame(data, schema_overrides=dict.fromkeys(unknown, pl.Boolean))


def test_sensitivity_of_all_of_is_unbiased_where_multiplying_is_not() -> None:
    """Half the knees are seen alike, so that both are positive in min(0.7, 0.6) of them, in the others in 0.7 x 0.6."""
    truth = 0.5 * 0.6 + 0.5 * 0.42
    joint, multiplied = [], []
    for seed in range(200):
        found = combine(dependent(600, seed, 0.5), "all_of")
        joint.append(found.counts["tp"] / (found.counts["tp"] + found.counts["fn"]))
        multiplied.append(found.if_independent["sensitivity"])
    error = np.std(joint) / np.sqrt(200)
    assert abs(np.mean(joint) - truth) < 4 * error
    assert np.mean(multiplied) == pytest.approx(0.42, abs=0.005)
    assert truth - np.mean(multiplied) > 0.08


def test_any_and_all_add_up_to_the_single_findings() -> None:
    joint = dependent(500, 3, 0.5)
    either, both = combine(joint, "any_of").counts, combine(joint, "all_of").counts
    single = (joint.findings[joint.present] > 0).sum()
    assert either["tp"] + both["tp"] == single


def test_order_of_knees_and_of_maneuvers_is_nothing() -> None:
    joint = dependent(300, 4, 0.3)
    mixed = np.random.default_rng(0).permutation(300)
    turned = JointFindings.of(joint.findings[mixed][:, ::-1], joint.present[mixed], joint.participant[mixed])
    for rule in ("any_of", "all_of"):
        assert combine(turned, rule).counts == combine(joint, rule).counts
    assert dependence(turned, "present").phi == pytest.approx(dependence(joint, "present").phi)


def test_a_knee_with_a_gap_is_left_out() -> None:
    joint = JointFindings.of([[1, 1], [1, np.nan], [0, 0]], [1, 1, 0])
    assert combine(joint, "any_of").counts["tp"] == 1


def test_limits_of_phi_cover_a_known_dependence() -> None:
    truth = (0.5 * 0.6 + 0.5 * 0.42 - 0.42) / np.sqrt(0.7 * 0.3 * 0.6 * 0.4)
    covered = 0
    for seed in range(200):
        found = dependence(dependent(400, seed, 0.5), "present")
        covered += found.ci_low < truth < found.ci_high  # type: ignore[operator]
    assert 180 <= covered <= 199


def test_two_knees_that_always_agree_widen_the_limits_of_phi() -> None:
    joint = dependent(200, 5, 0.5)
    doubled = JointFindings.of(
        np.repeat(joint.findings, 2, axis=0), np.repeat(joint.present, 2), np.repeat(np.arange(200), 2)
    )
    one, two = dependence(joint, "present"), dependence(doubled, "present")
    assert (two.ci_low, two.ci_high) == pytest.approx((one.ci_low, one.ci_high))


def test_patterns_count_every_knee_once_and_the_model_follows_common_ones() -> None:
    found = patterns(dependent(4000, 6, 0.4))
    assert [pattern.signs for pattern in found] == ["++", "+-", "-+", "--"]
    assert sum(pattern.seen for pattern in found) == 4000
    for pattern in found:
        counts = pattern.counts
        counted = (counts["tp"] / (counts["tp"] + counts["fn"])) / (counts["fp"] / (counts["fp"] + counts["tn"]))
        assert pattern.model_lr == pytest.approx(counted, rel=0.08)


def test_tables_of_an_ordinary_clinic() -> None:
    rows = frame(400)
    combined = combinations_table(rows, CONTRACT, PROTOCOL).filter(condition="acl_tear")
    assert combined.height == (10 + 10) * 2 * 4
    assert combined.filter(pl.col("estimate").is_null() & pl.col("note").is_null()).height == 0
    assert combined.filter(pl.col("measure").is_in(["sensitivity", "specificity"]))["estimate"].null_count() == 0
    assert (combined["n"] > 0).all()
    together = dependence_table(rows, CONTRACT, PROTOCOL).filter(condition="acl_tear")
    assert together.height == 20
    assert together["phi"].abs().max() < 0.3
    shown = patterns_table(rows, CONTRACT, PROTOCOL).filter(condition="acl_tear")
    assert shown["maneuvers"].unique().to_list() == ["lachman, drop_leg_lachman, anterior_drawer"]
    assert shown["present"].sum() + shown["absent"].sum() == 400


@pytest.mark.parametrize("n", [0, 1, 2])
def test_hardly_any_knees_give_notes(n: int) -> None:
    rows = frame(n)
    for table in (combinations_table, dependence_table, patterns_table):
        made = table(rows, CONTRACT, PROTOCOL)
        assert made.height

        assert made["note"].null_count() == 0


def test_one_class_and_a_constant_maneuver_give_notes() -> None:
    one_class = frame(60, present_acl_tear=[True] * 60)
    ratios = combinations_table(one_class, CONTRACT, PROTOCOL).filter(condition="acl_tear", measure="lr_positive")
    assert ratios["estimate"].null_count() == ratios.height
    assert set(ratios["flag"]) == {"none_without_condition"}
    shown = patterns_table(one_class, CONTRACT, PROTOCOL).filter(condition="acl_tear")
    assert shown["model_lr"].null_count() == shown.height
    constant = frame(60, result_lachman=["positive"] * 60)
    together = dependence_table(constant, CONTRACT, PROTOCOL).filter(condition="acl_tear", maneuver_a="lachman")
    assert together["phi"].null_count() == together.height
    assert together["covariance"].to_list() == pytest.approx([0.0] * together.height)
    assert together["note"].null_count() == 0
    empty_pattern = patterns_table(constant, CONTRACT, PROTOCOL).filter(condition="acl_tear", pattern="---")
    assert empty_pattern["lr"].to_list() == [None]
    assert empty_pattern["note"][0].startswith("This pattern was never seen; the model's ratio only.")


def test_what_is_not_a_finding_is_refused() -> None:
    with pytest.raises(ValueError, match="findings are 1, 0 or NaN"):
        JointFindings.of([[2, 0]], [1])
    with pytest.raises(ValueError, match="rule must be one of any_of, all_of"):
        combine(dependent(10, 1, 0.1), "most_of")
