"""What came in, what was held back, and what the mappings took for granted."""

from __future__ import annotations

import polars as pl

from examtally.results import intake_tables
from examtally.results.work import Work


def batches(work: Work) -> pl.DataFrame:
    """The batches stored."""
    return work.conform("batches", intake_tables.read_batches(work.registry.con))


def held_back(work: Work) -> pl.DataFrame:
    """Rows held back, by rule."""
    return work.conform("held_back", intake_tables.read_held_back(work.registry.con))


def intake_checks(work: Work) -> pl.DataFrame:
    """The expectations of each batch and how they came out."""
    return work.conform("intake_checks", intake_tables.read_intake_checks(work.registry.con))


def assumptions(work: Work) -> pl.DataFrame:
    """What the mappings took for granted."""
    return work.conform("assumptions", intake_tables.read_assumptions(work.registry.con))
