"""What a protocol chooses for maneuvers together: combinations, diagnostic models, the short exam, decision curves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Modelling:
    """Sizes, folds, resamples, penalties, floors and thresholds; the `seconds` of timed maneuvers."""

    max_combined: int
    max_pattern: int
    folds: int
    inner_folds: int
    bootstrap: int
    resamples: int
    seed: int
    penalties: tuple[float, ...]
    min_events: int
    candidates: str
    max_size: int
    thresholds: tuple[float, ...]
    seconds: Mapping[str, int]
