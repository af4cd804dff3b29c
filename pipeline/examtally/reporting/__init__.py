"""From a results folder to figures, tables and rendered reports; knows no records."""

from examtally.reporting.condition_page.making import render_cards, render_conditions
from examtally.reporting.examiner_sheet.making import render_lead, render_sheets
from examtally.reporting.monthly.month import render_monthly
from examtally.reporting.reports import (
    copy_project,
    render_actions,
    render_audit,
    render_intake,
    render_network,
    render_release,
    render_shelf,
)

__all__ = [
    "copy_project",
    "render_actions",
    "render_audit",
    "render_cards",
    "render_conditions",
    "render_intake",
    "render_lead",
    "render_monthly",
    "render_network",
    "render_release",
    "render_sheets",
    "render_shelf",
]
