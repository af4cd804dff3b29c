"""Without knees draws are those of the priors. Chains that follow the surrogate: lost ones
come back, a poor shape is learned again, all knees are followed too.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.special import expit

from examtally.analytics.bias_adjusted import sampler
from examtally.analytics.bias_adjusted.density import StatusLikelihood
from examtally.analytics.bias_adjusted.sampler import _Chains, _CheckedChains, sample
from examtally.analytics.intervals import FloatArray
from examtally.processes import one_thread

KNEES = 300
FEW = (60,)  # of them that stand for all: enough to lead, too few to be right


class Counting(StatusLikelihood):
    """A likelihood that counts how often it was asked for a force."""

    asked = 0

    def gradient(self, parameters: FloatArray) -> FloatArray:
        type(self).asked += 1
        return super().gradient(parameters)


SHIFT = 1_024.0


class Shifted(StatusLikelihood):
    """A likelihood with a constant that says nothing."""

    def told(self, natural: FloatArray) -> FloatArray:
        return super().told(natural) + SHIFT

    def told_and_slope(self, natural: FloatArray) -> tuple[FloatArray, FloatArray]:
        told, slope = super().told_and_slope(natural)
        return told + SHIFT, slope


@pytest.fixture(scope="module")
def likelihood() -> StatusLikelihood:
    """A condition foretold by two terms, one of them weak; MRI errs, some knees were operated on."""
    rng = np.random.default_rng(8)
    design = np.column_stack([np.ones(KNEES), rng.normal(size=(KNEES, 2))])
    present = rng.random(KNEES) < expit(design @ [-1.0, 1.2, 0.2])
    read = np.where(present, rng.random(KNEES) < 0.85, rng.random(KNEES) < 0.05).astype(float)
    return StatusLikelihood(
        design=design,
        truth=np.where(rng.random(KNEES) < 0.2, present, np.nan),
        reads=read[:, None],
        mean=np.array([-1.5, 0.0, 0.0, 2.0, 2.8]),
        spread=np.array([2.5, 1.0, 1.0, 0.5, 0.5]),
        is_weak=np.array([False, False, True, False, False]),
    )


def test_draws_without_knees_are_those_of_the_priors(
    likelihood: StatusLikelihood, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some 20,000 independent draws: standard deviations of what is normal are right to 1 %.

    A trajectory whose last step is whole, not half, gives some 2 % less.
    """
    nobody = replace(likelihood, design=np.ones((0, 3)), truth=np.empty(0), reads=np.empty((0, 1)))
    monkeypatch.setattr(sampler, "MET", 0.0)
    with one_thread():
        drawn = sample(nobody, [4], kept=1_800, most=1_800)
    free = ~likelihood.is_weak
    every = drawn.parameters.reshape(-1, 5)
    apart = (every.mean(axis=0) - likelihood.mean)[free] / likelihood.spread[free]
    assert np.abs(apart).max() < 0.03
    assert (every.std(axis=0)[free] / likelihood.spread[free]).mean() == pytest.approx(1.0, abs=0.01)
    assert drawn.tau.mean() == pytest.approx(0.3 * np.sqrt(2 / np.pi), rel=0.02)
    assert every[:, 2].std() == pytest.approx(0.3, rel=0.03)


@pytest.fixture
def chains(likelihood: StatusLikelihood) -> _CheckedChains:
    """Chains at their start, around the centre."""
    with one_thread():
        return _CheckedChains(likelihood, np.random.default_rng(1))


def test_a_chain_where_all_knees_hold_nothing_comes_to_where_another_is(chains: _CheckedChains) -> None:
    before = chains.position.copy()
    chains.position[:, 3] += 40.0
    chains._gather()
    assert (chains.position[:, [3]] == np.delete(before, 3, axis=1)).all(axis=0).sum() == 1
    assert np.array_equal(np.delete(chains.position, 3, axis=1), np.delete(before, 3, axis=1))
    assert chains._told == pytest.approx(chains._likelihood.log_likelihood(chains.position))


def test_a_chain_within_the_bulk_stays(chains: _CheckedChains) -> None:
    before = chains.position.copy()
    chains._gather()
    assert np.array_equal(chains.position, before)


def test_a_chain_that_is_led_astray_is_neither_learned_from_nor_drawn_from(
    chains: _CheckedChains, likelihood: StatusLikelihood, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One chain ends every trajectory far away, as if the surrogate led it there."""
    follow = _CheckedChains._follow
    lowest: list[float] = []

    def led_astray(self: _CheckedChains) -> float:
        chance = follow(self)
        self.position[:, 0] = 60.0
        return chance

    def seen(self: _CheckedChains) -> bool:
        lowest.append(float(likelihood.log_density(self.position).min()))
        return True

    monkeypatch.setattr(_CheckedChains, "_follow", led_astray)
    monkeypatch.setattr(_CheckedChains, "_learn", seen)
    with one_thread():
        chains.warm_up()
    density = likelihood.log_density(chains.position)
    assert min(*lowest, *density) > np.median(density) - 50
    assert np.array_equal(chains._left_out, chains._of_all.log_likelihood(chains.position) - chains._told)


def test_a_new_surrogate_begins_without_lost_chains(chains: _CheckedChains, likelihood: StatusLikelihood) -> None:
    seen = [chains.position.copy()] * 5
    chains.position[:, 3] += 40.0
    with one_thread():
        chains._look_again(seen)
    density = likelihood.log_density(chains.position)
    assert density[3] > np.median(density) - 50
    assert chains._told == pytest.approx(chains._likelihood.log_likelihood(chains.position))


def test_a_shape_that_allows_short_steps_alone_is_learned_again(chains: _CheckedChains) -> None:
    chains._root = 20.0 * chains._root
    with one_thread():
        chains.warm_up()
    assert chains._step > sampler._FAIR


def test_a_shape_that_serves_is_learned_once(chains: _CheckedChains, monkeypatch: pytest.MonkeyPatch) -> None:
    rounds, learn = [], _Chains._learn

    def counted(self: _Chains) -> bool:
        rounds.append(learn(self))
        return rounds[-1]

    monkeypatch.setattr(_Chains, "_learn", counted)
    with one_thread():
        chains.warm_up()
    assert rounds == [True]


def test_a_shape_is_learned_five_times_at_most(chains: _CheckedChains, monkeypatch: pytest.MonkeyPatch) -> None:
    rounds: list[float] = []

    def never_at_ease(self: _Chains) -> bool:
        rounds.append(self._step)
        return False

    monkeypatch.setattr(_Chains, "_learn", never_at_ease)
    with one_thread():
        chains.warm_up()
    assert len(rounds) == 5
    assert set(rounds[1:]) == {sampler._STEP}


def test_every_tenth_trajectory_follows_all_knees(
    chains: _CheckedChains, likelihood: StatusLikelihood, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sampler, "_KNEES", FEW)
    with one_thread():
        chains.warm_up()
        own = {one.name: getattr(likelihood, one.name) for one in fields(likelihood)}
        chains._of_all = replace(Counting(**own), design=likelihood.design.astype(np.float32))
        asked = []
        for _ in range(30):
            before = Counting.asked
            chains.draw()
            asked.append(Counting.asked > before)
            known = chains._of_all.log_likelihood(chains.position)
            assert chains._told + chains._left_out == pytest.approx(known, abs=0.01)
    assert [number for number, is_asked in enumerate(asked, 1) if is_asked] == [10, 20, 30]


def test_a_constant_in_the_likelihood_of_all_knees_refuses_nothing(
    chains: _CheckedChains, likelihood: StatusLikelihood, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sampler, "_KNEES", FEW)
    own = {one.name: getattr(chains._of_all, one.name) for one in fields(likelihood)}
    with one_thread():
        chains.warm_up()
        other = deepcopy(chains)
        other._of_all, other._left_out = Shifted(**own), chains._left_out + SHIFT
        accepted = [(chains.draw(), other.draw()) for _ in range(25)]
    assert np.array_equal(chains.position, other.position)
    assert 0.1 < np.mean(accepted) < 0.95
