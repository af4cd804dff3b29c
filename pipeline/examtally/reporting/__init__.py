"""From a results folder to figures, tables and rendered reports; knows no records.

Names are loaded when they are first used: a report loads what it needs, not what all the others do.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
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

_HOMES = {
    "render_cards": "condition_page.making",
    "render_conditions": "condition_page.making",
    "render_lead": "examiner_sheet.making",
    "render_monthly": "monthly.month",
    "render_sheets": "examiner_sheet.making",
}
"""Where a name is at home, if not in `reports`."""


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'examtally.reporting' has no attribute '{name}'")
    return getattr(import_module(f"examtally.reporting.{_HOMES.get(name, 'reports')}"), name)
