"""Typesetting: a Typst template of ours and what it says, or a whole text, become one tagged PDF."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typst

from examtally.errors import ReportError
from examtally.fonts import font_folder
from examtally.resources import resource


def typeset(template: str, content: Mapping[str, Any]) -> bytes:
    """Return the PDF of `reports/<template>.typ`, which reads `content` as JSON from its input `data`.

    The same content gives the same page on every machine. Raises ReportError where the template fails.
    """
    return _compile(resource("reports") / f"{template}.typ", sys_inputs={"data": json.dumps(content)})


def typeset_file(path: Path) -> bytes:
    """Return the PDF of a Typst text; images lie beside it. Raises ReportError where it cannot be set."""
    return _compile(path, root=str(path.parent))


def _compile(source: Path, **given: Any) -> bytes:
    """The PDF of a source; the machine's own fonts are not seen."""
    try:
        made = typst.compile(
            str(source), format="pdf", font_paths=[font_folder()], ignore_system_fonts=True, timestamp=0, **given
        )
    except RuntimeError as error:
        first = (str(error).splitlines() or ["no reason given"])[0]
        raise ReportError(f"{source.name}: the page cannot be set ({first})") from None
    return bytes(made)
