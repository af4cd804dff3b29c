"""Words as a mapping file writes them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping

UNSURE = "# unsure:"
_PLAIN = re.compile(r"[^\W\d_][\w .()/-]*[\w.)]|[^\W\d_]")
_RESERVED = {"true", "false", "null", "yes", "no", "on", "off"}


def quoted_text(text: str) -> str:
    """Return a text as YAML reads it back, in quotation marks unless it is a plain word."""
    if _PLAIN.fullmatch(text) and text.lower() not in _RESERVED:
        return text
    return json.dumps(text, ensure_ascii=False)


def flow(words: Iterable[str]) -> str:
    """Return a list on one line."""
    return f"[{', '.join(map(quoted_text, words))}]"


def flow_map(pairs: Mapping[str, str | None]) -> str:
    """Return a mapping on one line; None is a blank."""
    return (
        "{"
        + ", ".join(
            f"{quoted_text(key)}: {'~' if value is None else quoted_text(value)}" for key, value in pairs.items()
        )
        + "}"
    )
