"""Markdown as its reader sees it."""

from __future__ import annotations

import re


def unescaped(text: str) -> str:
    """Return the text without the backslashes that keep a person's words from being read as markup."""
    return re.sub(r"\\([^\w\s])", r"\1", text)
