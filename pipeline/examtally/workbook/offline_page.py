"""A page in one file that opens from disk: own script and style, its content as JSON, a policy that sends nothing."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from examtally.errors import ExamtallyError
from examtally.resources import resource


def offline_page(script: str, title: str, content: Mapping[str, Any], *, frame: str = "offline") -> str:
    """Return the page that a script, a frame and the style of the exam form make of `content`; nothing is sent.

    `script` and `frame` are names of files of the reports folder, without their endings.
    """
    folder = resource("reports")
    files = (f"{script}.js", "exam_form.css", f"{frame}.html")
    code, style, page = ((folder / name).read_text(encoding="utf-8") for name in files)
    parts = {
        "title": title,
        "policy": "default-src 'none'; base-uri 'none'; form-action 'none'; "
        f"script-src '{_hash(code)}'; style-src '{_hash(style)}'",
        "style": style,
        "script": code,
        "content": json.dumps(content, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c"),
    }
    for part, text in parts.items():
        page = page.replace(f"{{{{{part}}}}}", text)
    return page


def write_page(out: Path, text: str) -> Path:
    """Write a page to `out`, which is replaced; raises ExamtallyError where it cannot be written."""
    fresh = out.with_name(f".{out.name}.part")
    try:
        fresh.write_text(text, encoding="utf-8")
        fresh.replace(out)
    except OSError as error:
        raise ExamtallyError(f"{out.name} cannot be written: {error.strerror}; choose another --out") from None
    return out


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
