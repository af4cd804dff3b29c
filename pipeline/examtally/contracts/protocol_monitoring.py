"""What a protocol says of monthly quality: when a stated probability calls a condition likely or unlikely."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from examtally.contracts.yamlfile import Node


@dataclass(frozen=True)
class Monitoring:
    """Probabilities stated after the exam from which a condition is called likely, and below which unlikely."""

    likely: float
    unlikely: float


def check_monitoring(values: Mapping[str, Any], given: Mapping[str, Node]) -> None:
    """Raise ProtocolError where unlikely is not below likely."""
    low, high = "monitoring.unlikely", "monitoring.likely"
    if values[low] >= values[high]:
        raise given[low if low in given else high].fail(
            f"unlikely ({values[low]:g}) is not below likely ({values[high]:g})", f"write {low} below {high}"
        )
