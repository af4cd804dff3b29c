"""What a page may do once it is open: show itself and run the one script of the house; it asks nobody for anything."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser

from examtally.errors import ReportError

_FETCHING = frozenset(
    {"src", "srcset", "poster", "data", "background", "action", "formaction", "xlink:href", "ping", "manifest"}
)
_FOREIGN = frozenset({"base", "object", "embed", "iframe", "frame", "link", "form", "portal", "template"})
_INLINE = re.compile(r"<(script|style)\b[^>]*>(.*?)</\1>", re.S)


def seal_page(page: str, house: str, name: str) -> str:
    """Return a page with its content security policy, the first thing in its head.

    `house` holds the script of the house, by whose hash it may run. Raises ReportError where the page would run
    another, or fetch anything.
    """
    if "<head>" not in page:
        return page
    parts = _INLINE.findall(page)
    scripts = {text for kind, text in parts if kind == "script"}
    ours = {text for kind, text in _INLINE.findall(house) if kind == "script"}
    looked = _Looking()
    looked.feed(page)
    faults = [*looked.faults, *(["a script that is not of the house"] if scripts - ours else [])]
    if faults:
        raise ReportError(f"{name}: the page will not be made: it holds {faults[0]}")
    styles = dict.fromkeys(text for kind, text in parts if kind == "style")
    policy = "; ".join(
        [
            "default-src 'none'",
            f"script-src {_hashes(sorted(scripts))}",
            f"style-src {_hashes(styles)}",
            "img-src data:",
            "font-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )
    meta = f'<meta http-equiv="Content-Security-Policy" content="{policy}" />'
    return page.replace("<head>", f"<head>\n  {meta}", 1)


def _hashes(texts: list[str] | dict[str, None]) -> str:
    """The sources that a policy allows: the hash of each text, or none."""
    digests = (base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts)
    return " ".join(f"'sha256-{digest}'" for digest in digests) or "'none'"


class _Looking(HTMLParser):
    """Finds what a page would fetch, or would run outside its scripts."""

    def __init__(self) -> None:
        super().__init__()
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _FOREIGN:
            self.faults.append(f"an element {tag}")
        if tag == "meta" and "http-equiv" in dict(attrs):
            self.faults.append("an order to the browser")
        for name, value in attrs:
            if name.startswith("on") or name == "style":
                self.faults.append(f"an attribute {name}")
            if name in _FETCHING and not (value or "").startswith("data:"):
                self.faults.append(f"an address to fetch in {tag}")
            if (value or "").strip().lower().startswith("javascript:"):
                self.faults.append(f"an address to run in {tag}")
