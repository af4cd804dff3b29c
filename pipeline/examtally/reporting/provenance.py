"""Where the figures come from: registry, protocol, versions."""

from __future__ import annotations

import polars as pl

from examtally.reporting.audit import Audit
from examtally.reporting.tables import Column, table

_COLUMNS = (Column("what", "What"), Column("which", "Which", words=True))


def provenance(audit: Audit) -> str:
    """A table with what it takes to make the same figures again."""
    made = audit.results.provenance
    rows = {
        "Fingerprint of the registry": made.registry,
        "Fingerprint of the protocol": made.protocol_hash,
        "Status of the analysis": audit.protocol.analysis_status,
        "Seed of resampling": str(made.seed),
    } | dict(made.versions)
    frame = pl.DataFrame({"what": list(rows), "which": list(rows.values())})
    return table(frame, _COLUMNS, caption="The same registry, protocol and versions give the same figures")
