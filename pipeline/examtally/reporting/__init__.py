"""From a results folder to figures, tables and rendered reports; knows no records."""

from examtally.reporting.monthly.rendering import render_monthly
from examtally.reporting.reports import render_audit, render_intake, render_release, render_shelf
from examtally.reporting.sheets.making import render_sheets
from examtally.reporting.story.making import render_cards, render_conditions

__all__ = [
    "render_audit",
    "render_cards",
    "render_conditions",
    "render_intake",
    "render_monthly",
    "render_release",
    "render_sheets",
    "render_shelf",
]
