"""What a protocol says of two tests without a reference: beliefs beforehand, populations, and the chains."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LatentClass:
    """Beta(a, b) beliefs about finding and prevalence, the weight of published accuracy, populations and chains."""

    finding_a: float
    finding_b: float
    prevalence_a: float
    prevalence_b: float
    published_weight: float
    populations: str
    chains: int
    draws: int
    seed: int
