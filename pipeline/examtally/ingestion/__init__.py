"""Record files into a registry: every line of every file ends in exactly one place."""

from examtally.ingestion.batch import check, ingest
from examtally.ingestion.storing.report import BatchReport

__all__ = ["BatchReport", "check", "ingest"]
