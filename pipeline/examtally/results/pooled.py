"""Results of several groups, from what each released: the tables `site_summaries` and `pooled_sites`."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

import polars as pl

from examtally.analytics.site_pooling.tables import pooled_sites_table
from examtally.contracts.protocol.protocol import canonical_hash
from examtally.results.results import Provenance, Results

_MADE_WITH = ("examtally", "numpy", "polars", "scipy")


def pooled_results(summaries: pl.DataFrame, protocol: Mapping[str, Any], seals: Mapping[str, str]) -> Results:
    """Pool the table `site_summaries` of groups that share a protocol.

    `seals` are those of the summaries by code of the group; the fingerprint of the provenance is one over them.
    """
    level, status = float(protocol["intervals"]["level"]), str(protocol["analysis_status"])
    pooled = pooled_sites_table(summaries, level=level, status=status)
    versions = {name: version(name) for name in _MADE_WITH}
    provenance = Provenance(canonical_hash(seals), protocol, canonical_hash(protocol), 0, versions)
    return Results({"site_summaries": summaries, "pooled_sites": pooled}, provenance)
