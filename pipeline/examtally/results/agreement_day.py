"""The results of an agreement day: the tables made from its readings, and what they were made from."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from examtally.analytics.agreement.session import day_agreement, day_measures, day_steps
from examtally.contracts.contract import kept_contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.contracts.results import conform
from examtally.errors import ResultsError
from examtally.results.results import Provenance, Results

_PACKAGES = ("examtally", "numpy", "polars", "scipy", "statsmodels")


def analyze_day(readings: pl.DataFrame, protocol: Protocol | Path | str | Mapping[str, Any] | None = None) -> Results:
    """Analyze the readings of one agreement day, as `read_readings` returns them.

    Makes the tables `agreement`, `measure_agreement` and `agreement_steps`. In place of a registry the provenance has
    the sha256 of the readings. Raises ResultsError for fewer than two examiners.
    """
    settings = protocol if isinstance(protocol, Protocol) else load_protocol(protocol)
    contract = kept_contract(settings.joint)
    examiners = readings["examiner_id"].n_unique()
    if examiners < 2:
        raise ResultsError(f"{examiners} examiner in these readings; an agreement day needs two or more")
    tables = {
        "agreement": day_agreement(readings, contract, settings),
        "measure_agreement": day_measures(readings, contract, settings),
        "agreement_steps": day_steps(readings, settings),
    }
    made_from = Provenance(
        registry=hashlib.sha256(readings.write_csv().encode()).hexdigest(),
        protocol=settings.to_dict(),
        protocol_hash=settings.hash,
        seed=settings.calibration.seed,
        versions={"python": platform.python_version(), **{package: version(package) for package in _PACKAGES}},
    )
    return Results({name: conform(name, frame) for name, frame in tables.items()}, made_from)
