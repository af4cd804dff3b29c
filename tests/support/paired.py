"""Benchmarks against a baseline in the same run: tasks taken in turn, processor time, the ratio of their medians.

Processor time is that of this process and of the programs it waited for, so that others on the machine count little;
tasks taken in turn share what noise is left.
"""

from __future__ import annotations

import resource
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from statistics import median

Say = Callable[[str], None]


def processor_seconds() -> float:
    """Processor time so far, of this process and of its children that have ended."""
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(each.ru_utime + each.ru_stime for each in used)


def in_turn(say: Say, rounds: int, **tasks: Callable[[], object]) -> Mapping[str, float]:
    """Median processor time of each task over so many rounds, in which every task has its turn."""
    taken: dict[str, list[float]] = {name: [] for name in tasks}
    for number in range(rounds):
        for name, task in tasks.items():
            begun = processor_seconds()
            task()
            taken[name].append(processor_seconds() - begun)
        told = ", ".join(f"{name.replace('_', ' ')} {each[-1]:.2f} s" for name, each in taken.items())
        say(f"  round {number + 1} of {rounds}: {told}")
    return {name: median(each) for name, each in taken.items()}


@dataclass(frozen=True)
class Aim:
    """A figure and what it may be at most, or must be at least."""

    what: str
    value: float
    most: float | None = None
    least: float | None = None

    def __str__(self) -> str:
        limit = f"at most {self.most:g}" if self.most is not None else f"at least {self.least:g}"
        return f"{self.what}: {self.value:.2f} (aim: {limit})"

    @property
    def is_met(self) -> bool:
        """Whether the figure keeps to its limit."""
        return (self.most is None or self.value <= self.most) and (self.least is None or self.value >= self.least)


def hold(say: Say, *aims: Aim) -> None:
    """Say every figure beside its aim; AssertionError where one is past it."""
    for aim in aims:
        say(f"{aim}{'' if aim.is_met else ' MISSED'}")
    missed = [str(aim) for aim in aims if not aim.is_met]
    assert not missed, "; ".join(missed)
