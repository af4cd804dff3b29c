"""The area under the curve and the ratio of each level: printed examples, all pairs counted, people left out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from examtally.analytics.roc.area import area
from examtally.analytics.roc.levels import level_ratios

# Hanley JA, McNeil BJ. Radiology 1982;143:29-36, table I: 109 CT readings, 1 definitely normal … 5 definitely abnormal;
# area 0.893. DeLong's standard error 0.0307 and limits 0.83295-0.95339 for these data.
NORMAL, ABNORMAL = (33, 6, 6, 11, 2), (3, 2, 2, 11, 33)
RATING = np.repeat([1, 2, 3, 4, 5] * 2, NORMAL + ABNORMAL).astype(float)
DISEASED = np.repeat([0, 1], [sum(NORMAL), sum(ABNORMAL)])


def drawn(seed: int, people: int = 80, knees_each: int = 2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grades 0-3, condition and person of knees alike within a person."""
    rng = np.random.default_rng(seed)
    person = np.repeat(np.arange(people), knees_each)
    own = rng.normal(size=people)[person]
    present = (own + rng.normal(size=person.size) > 0.3).astype(float)
    return np.clip(np.round(1 + 0.8 * present + 0.5 * own + 1.2 * rng.normal(size=person.size)), 0, 3), present, person


def counted(value: np.ndarray, present: np.ndarray) -> float:
    """The area by looking at every pair of knees."""
    x, y = value[present > 0][:, None], value[present == 0][None, :]
    return float(((x > y) + 0.5 * (x == y)).mean())


def test_printed_ratings() -> None:
    found = area(RATING, DISEASED)
    assert found.estimate == pytest.approx(0.8931710615, abs=1e-9)
    assert found.se == pytest.approx(0.03072440838, abs=1e-9)
    assert (found.ci_low, found.ci_high) == pytest.approx((0.83295, 0.95339), abs=5e-6)


def test_a_binary_finding_has_half_the_sum_of_sensitivity_and_specificity() -> None:
    found = area([1, 1, 2, 2, 1, 2, 2, 2], [0, 0, 0, 0, 1, 1, 1, 1])
    assert found.estimate == pytest.approx((0.75 + 0.5) / 2)
    assert found.se == pytest.approx(0.19094065395649332, abs=1e-12)


def test_area_is_the_share_of_pairs() -> None:
    value, present, person = drawn(1)
    assert area(value, present, person).estimate == pytest.approx(counted(value, present))


def test_clustered_error_is_that_of_leaving_out_people() -> None:
    value, present, person = drawn(2, people=250)
    without = np.array([area(value[person != who], present[person != who]).estimate for who in range(250)])
    jackknife = math.sqrt(249 / 250 * ((without - without.mean()) ** 2).sum())
    clustered = area(value, present, person)
    assert clustered.se == pytest.approx(jackknife, rel=0.02)
    assert clustered.estimate == area(value, present).estimate


def test_a_knee_entered_twice_tells_nothing_more() -> None:
    value, present, person = drawn(3, people=300, knees_each=1)
    once = area(value, present, person)
    twice = area(np.tile(value, 2), np.tile(present, 2), np.tile(person, 2))
    assert once.se == pytest.approx(area(value, present).se)
    assert twice.se == pytest.approx(once.se, rel=0.01)
    ratios_once = level_ratios(value, present, person)
    ratios_twice = level_ratios(np.tile(value, 2), np.tile(present, 2), np.tile(person, 2))
    assert ratios_twice.lr == pytest.approx(ratios_once.lr)
    width = [np.log(made.high / made.low) for made in (ratios_once, ratios_twice)]
    assert width[1] == pytest.approx(width[0], rel=0.05)


def test_turned_scale_and_turned_labels() -> None:
    value, present, person = drawn(4)
    one, turned = area(value, present, person), area(-value, present, person)
    swapped = area(value, 1 - present, person)
    for other in (turned, swapped):
        assert other.estimate == pytest.approx(1 - one.estimate)
        assert other.se == pytest.approx(one.se)
    monotone = area(np.exp(value), present, person)
    assert (monotone.estimate, monotone.se) == pytest.approx((one.estimate, one.se))


def test_level_ratios_by_hand() -> None:
    value, present, person = drawn(5)
    found = level_ratios(value, present, person)
    for place, level in enumerate(found.level):
        with_condition = (value[present > 0] == level).sum()
        without = (value[present == 0] == level).sum()
        assert (found.present[place], found.absent[place]) == (with_condition, without)
        assert found.lr[place] == pytest.approx(with_condition / present.sum() / (without / (present == 0).sum()))
        assert found.low[place] < found.lr[place] < found.high[place]
    assert found.step[1:] == pytest.approx(found.lr[1:] / found.lr[:-1])
    assert math.isnan(found.step[0])
    assert (found.lr * found.absent).sum() == pytest.approx(found.absent.sum())


def test_a_level_that_nobody_has_keeps_its_place() -> None:
    found = level_ratios([0, 0, 2, 2, 0, 2], [0, 0, 0, 1, 1, 1], levels=[0, 1, 2, 3])
    assert found.present.tolist() == [1, 0, 2, 0]
    assert np.isnan(found.lr).tolist() == [False, True, False, True]


@pytest.mark.parametrize(
    ("value", "disease"),
    [([], []), ([1], [1]), ([1, 2], [0, 1]), ([1, 1, 1, 1], [0, 1, 0, 1]), ([0, 0, 5, 5], [0, 0, 1, 1]),
     ([1, 2, 3], [1, 1, 1]), ([np.nan, np.nan], [0, 1])],
)  # fmt: skip
@pytest.mark.parametrize("clustered", [True, False])
def test_poor_inputs_give_nothing_rather_than_a_made_up_number(
    value: list[float], disease: list[int], clustered: bool
) -> None:
    who = [n // 2 for n in range(len(value))] if clustered else None
    found = area(value, disease, who)
    one_class = len({d for v, d in zip(value, disease, strict=True) if v == v}) < 2
    assert (found.estimate is None) == one_class
    assert found.ci_low is None or found.ci_low < found.ci_high
    ratios = level_ratios(value, disease, who)
    for numbers in (ratios.lr, ratios.step, ratios.low, ratios.high):
        assert not np.isinf(numbers).any()
        assert not (numbers == 0).any()


def test_wrong_arrays_are_refused() -> None:
    for function in (area, level_ratios):
        with pytest.raises(ValueError, match="a knee"):
            function([1, 2], [0, 2])
        with pytest.raises(ValueError, match="a knee"):
            function([1, 2], [0])
