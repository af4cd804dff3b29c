"""What a protocol says of monthly quality: what counts as likely and unlikely, and where baselines begin anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from examtally.contracts.periods import PERIOD
from examtally.contracts.yamlfile import Node


@dataclass(frozen=True)
class Monitoring:
    """When a stated probability calls a condition likely or unlikely, and where a chart's baseline begins anew."""

    likely: float
    unlikely: float
    baseline_from: Mapping[str, str]


CHARTED = (
    *("core_complete", "probability_stated", "equivocal", "examiner_blinded", "held_back"),
    *("verified", "days_to_reference", "yield", "unsuspected_proven"),
)
"""Indicators that have a chart by period."""


def read_baselines(node: Node) -> dict[str, str]:
    """The period from which the baseline of each named indicator counts; raise the node's error for any other."""
    return {code: entry.text(PERIOD) for code, entry in node.record(optional=CHARTED).items()}


def check_monitoring(values: Mapping[str, Any], given: Mapping[str, Node]) -> None:
    """Raise ProtocolError where unlikely is not below likely."""
    low, high = "monitoring.unlikely", "monitoring.likely"
    if values[low] >= values[high]:
        raise given[low if low in given else high].fail(
            f"unlikely ({values[low]:g}) is not below likely ({values[high]:g})", f"write {low} below {high}"
        )
