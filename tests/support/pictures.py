"""The pictures of the README, taken from the pages of the shipped demo.

python tests/support/pictures.py demo/report docs/pictures
"""

from __future__ import annotations

import sys
from io import BytesIO
from pathlib import Path

from browsing import chromium, open_file
from PIL import Image

PICTURES = {
    "first-screen": ("audit.html", "", (1280, 1000)),
    "accuracy": ("audit.html", "h2:has-text('The figures behind it')", (1280, 1000)),
    "calibration": ("audit-annex.html", "h2:has-text('Stated probabilities')", (1280, 1000)),
    "phone": ("audit.html", "", (375, 812)),
}
"""Name of each: its page, what stands at its top (the page's own top where empty), width and height in pixels."""
_COLORS = 64  # which take a third of the bytes


def take(report: Path, out: Path) -> None:
    """Take every picture of the pages in `report` and write it into `out`."""
    with chromium() as browser:
        for name, (page, top, (width, height)) in PICTURES.items():
            opened = open_file(browser, report / page, {"width": width, "height": height}).page
            if top:
                opened.locator(top).first.evaluate("at => window.scrollTo(0, at.getBoundingClientRect().top - 20)")
            seen = Image.open(BytesIO(opened.screenshot()))
            seen.quantize(_COLORS).save(out / f"{name}.png", optimize=True)
            opened.close()


if __name__ == "__main__":
    take(Path(sys.argv[1]).resolve(), Path(sys.argv[2]))
