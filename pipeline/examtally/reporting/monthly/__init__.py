"""The monthly quality report: one screen for a committee, then the charts behind it."""

from examtally.reporting.monthly.month import Month, open_month

__all__ = ["Month", "open_month"]
