"""Typesetting: a Typst template of ours and what it says, or a whole text, become one tagged PDF."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typst

from examtally.errors import ReportError
from examtally.fonts import font_folder
from examtally.registry.scratch import scratch
from examtally.resources import resource


def typeset(template: str, content: Mapping[str, Any]) -> bytes:
    """Return the PDF of `reports/<template>.typ`, which reads `content` as JSON from its input `data`.

    The same content gives the same page on every machine. Raises ReportError where the template fails.
    """
    return _compile(resource("reports") / f"{template}.typ", sys_inputs={"data": json.dumps(content)})


def typeset_file(path: Path, figures: Path) -> bytes:
    """Return the PDF of a Typst text with its folder of figures. Raises ReportError where it cannot be set."""
    return _compile(path, figures)


def _compile(source: Path, figures: Path | None = None, **given: Any) -> bytes:
    """The PDF of a source, set in a folder that holds nothing else; the machine's own fonts are not seen."""
    try:
        with scratch() as alone:
            text = Path(shutil.copy(source, alone))
            if figures is not None and figures.is_dir():
                shutil.copytree(figures, alone / figures.name)
            given |= {"root": str(alone), "font_paths": [font_folder()], "ignore_system_fonts": True, "timestamp": 0}
            made = typst.compile(str(text), format="pdf", **given)
    except RuntimeError as error:
        first = (str(error).splitlines() or ["no reason given"])[0]
        raise ReportError(f"{source.name}: the page cannot be set ({first})") from None
    return bytes(made)
