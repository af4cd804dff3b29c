"""Typesetting: a Typst template of ours and what it says, or a whole text, become one tagged PDF."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typst

from examtally.errors import ReportError
from examtally.resources import resource


def typeset(template: str, content: Mapping[str, Any], *, own_fonts_only: bool = False) -> bytes:
    """Return the PDF of `reports/<template>.typ`, which reads `content` as JSON from its input `data`.

    The same content gives the same page; with `own_fonts_only` none of the machine's letters is used.
    Raises ReportError where the template fails.
    """
    source = resource("reports") / f"{template}.typ"
    try:
        made = typst.compile(
            str(source),
            format="pdf",
            sys_inputs={"data": json.dumps(content)},
            ignore_system_fonts=own_fonts_only,
            timestamp=0,
        )
    except RuntimeError as error:
        first = (str(error).splitlines() or ["no reason given"])[0]
        raise ReportError(f"{source.name}: the page cannot be set ({first})") from None
    return bytes(made)


def typeset_file(path: Path) -> bytes:
    """Return the PDF of a Typst text; images lie beside it. Raises ReportError where it cannot be set."""
    try:
        made = typst.compile(str(path), root=str(path.parent), format="pdf", timestamp=0)
    except RuntimeError as error:
        first = (str(error).splitlines() or ["no reason given"])[0]
        raise ReportError(f"{path.name}: the page cannot be set ({first})") from None
    return bytes(made)
