"""The colors and the letter of the workbook, those of the reports."""

from __future__ import annotations

from openpyxl.styles import PatternFill

FONT = "Calibri"
INK, HAIR, MUST, WARN, PALE = "1D2B36", "55636E", "0B5D8A", "F6D9B8", "F3F5F6"
SHADES = ("DCE6EC", "F3F5F6")


def fill(color: str) -> PatternFill:
    """Return an even fill."""
    return PatternFill("solid", fgColor=color)
