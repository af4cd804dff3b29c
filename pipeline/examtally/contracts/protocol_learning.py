"""What a protocol says of learning: the levels that are told apart, the planned number, and what counts as right."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from examtally.contracts.yamlfile import Node


@dataclass(frozen=True)
class Learning:
    """The charts of learning: shares of failures that are told apart, and what a failure is."""

    p_acceptable: float
    p_unacceptable: float
    planned: int
    false_signal: float
    outcome: str
    orders: int
    seed: int


def check_learning(values: Mapping[str, Any], given: Mapping[str, Node]) -> None:
    """Raise ProtocolError where the acceptable share of failures is not below the unacceptable one."""
    low, high = "learning.p_acceptable", "learning.p_unacceptable"
    if values[low] >= values[high]:
        raise given[low if low in given else high].fail(
            f"the acceptable share of failures ({values[low]:g}) is not below the unacceptable one ({values[high]:g})",
            f"write {low} below {high}",
        )
