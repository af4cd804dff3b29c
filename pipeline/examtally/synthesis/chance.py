"""The three forms in which a scenario states what happens by chance, and the seeded streams behind them.

- a *rate*: a probability, moved on the logit scale by odds ratios;
- *weights*: one code of several, each weight multiplied by factors;
- a *level*: a normal quantity whose mean is moved by amounts.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Annotated, Any, TypeAlias

import numpy as np
from scipy.special import expit, logit

from examtally.contracts.checks import Fault
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import Kind, Maybe, Name, Number, Short, after, nothing, raise_all
from examtally.synthesis.features import BLANK, Bools, Coded, Features, Floats


@dataclass(frozen=True)
class Streams:
    """One random stream a purpose, so that a change in one part of a scenario leaves the draws of the others alone."""

    seed: int
    part: int = 0

    def of(self, purpose: str) -> np.random.Generator:
        """The generator for `purpose`; the same name gives the same draws."""
        return np.random.default_rng([self.seed, self.part, zlib.crc32(purpose.encode())])


Proportion: TypeAlias = Annotated[float, Number(0, 1)]
Feature: TypeAlias = Annotated[str, Name("a feature", ".+")]
Factor: TypeAlias = Annotated[float, Number(1e-6)]


@dataclass(frozen=True)
class Rate(Section):
    """A probability `base`, its odds multiplied by `odds[name] ** feature`."""

    base: Proportion
    """The probability where no feature moves it."""
    odds: Mapping[Feature, Factor] = field(default_factory=nothing)
    """By feature, an odds ratio."""

    def probability(self, features: Features) -> Floats:
        """Shape (rows,). A base of 0 or 1 stays what it is."""
        if self.base in (0.0, 1.0) or not self.odds:
            return np.full(features.rows, self.base)
        return np.asarray(expit(logit(self.base) + shift(self.logs(), features)), dtype=np.float64)

    def draw(self, random: np.random.Generator, features: Features) -> Bools:
        """Whether it happens, shape (rows,)."""
        return random.random(features.rows) < self.probability(features)

    def logs(self) -> dict[str, float]:
        """Natural logarithms of the odds ratios."""
        return {name: float(np.log(ratio)) for name, ratio in self.odds.items()}


@dataclass(frozen=True)
class Weight(Section):
    """The weight of one code, multiplied by `times[name] ** feature`."""

    base: Annotated[float, Number(0)]
    """The weight where no feature moves it."""
    times: Mapping[Feature, Factor] = field(default_factory=nothing)
    """By feature, a factor."""

    def of(self, features: Features) -> Floats:
        """Shape (rows,)."""
        logs = {name: float(np.log(factor)) for name, factor in self.times.items()}
        return self.base * np.exp(shift(logs, features)) if logs else np.full(features.rows, self.base)


@dataclass(frozen=True)
class Weights:
    """One code of several, in proportion to its weight."""

    of: Mapping[str, Weight]

    @property
    def codes(self) -> tuple[str, ...]:
        """The codes in declared order."""
        return tuple(self.of)

    def draw(self, random: np.random.Generator, features: Features) -> Coded:
        """A code for each row; blank where every weight is 0."""
        heights = np.cumsum([weight.of(features) for weight in self.of.values()], axis=0)
        mark = random.random(features.rows) * heights[-1]
        index = (mark >= heights).sum(axis=0)
        return Coded(self.codes, np.where(heights[-1] > 0, np.minimum(index, len(self.of) - 1), BLANK))


@dataclass(frozen=True)
class Level(Section):
    """A normal quantity with `mean` and `sd`, its mean moved by `add[name] * feature`.

    What falls below `least` or above `most` is mirrored there; None where there is no such limit.
    """

    mean: Annotated[float, Number()]
    """The mean where no feature moves it."""
    sd: Annotated[float, Number(0)]
    """The standard deviation."""
    add: Mapping[Feature, Annotated[float, Number()]] = field(default_factory=nothing)
    """By feature, an amount that is added to the mean."""
    least: Maybe[Annotated[float, Number()]] = None
    """Where it ends below; what falls under it is mirrored."""
    most: Maybe[Annotated[float, Number()]] = None
    """Where it ends above, instead."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if self.least is not None and self.most is not None:
            yield Fault("ends on both sides", "keep 'least' or 'most'")

    def draw(self, random: np.random.Generator, features: Features) -> Floats:
        """Shape (rows,), in the unit of the mean."""
        drawn = self.mean + shift(self.add, features) + self.sd * random.standard_normal(features.rows)
        if self.least is not None:
            drawn = self.least + np.abs(drawn - self.least)
        if self.most is not None:
            drawn = self.most - np.abs(drawn - self.most)
        return np.asarray(drawn, dtype=np.float64)


def _base(value: Any, _contract: Contract) -> Any:
    return value if isinstance(value, dict) else {"base": value}


@dataclass(frozen=True)
class OneOf:
    """On a key that holds Weights: a mapping from code to weight, its codes of this kind."""

    code: Kind

    def __get_pydantic_core_schema__(self, _source: Any, handler: Any) -> Any:
        weights = Mapping[Annotated[str, self.code], AnyWeight]
        return after(handler.generate_schema(weights), _weights)


def _weights(of: Mapping[str, Weight], _contract: Contract) -> Weights:
    if not any(weight.base for weight in of.values()):
        raise_all([Fault("no code has a weight above 0", "give one at least a positive weight")])
    return Weights(MappingProxyType(dict(of)))


AnyRate: TypeAlias = Annotated[Rate, Short(_base, (Number(0, 1).json(),))]
"""A rate, or the bare probability."""
AnyWeight: TypeAlias = Annotated[Weight, Short(_base, (Number(0).json(),))]
"""A weight, or the bare number."""


@dataclass(frozen=True)
class Known:
    """On a key that holds chances: the moment whose names they may depend on, see `Vocabulary`."""

    moment: str


def shift(amounts: Mapping[str, float], features: Features) -> Floats:
    """The sum of `amounts[name] * feature`, shape (rows,)."""
    total = np.zeros(features.rows)
    for name, amount in amounts.items():
        total += amount * features.column(name)
    return total
