"""The pictures of the README, taken from the pages of the shipped demo, and that of the exam sheet.

python tests/support/pictures.py demo/report docs/pictures
"""

from __future__ import annotations

import json
import sys
from io import BytesIO
from pathlib import Path

import typst
from browsing import CHROMIUM, chromium, open_file
from PIL import Image

from examtally.contracts.contract import kept_contract
from examtally.fonts import font_folder
from examtally.reporting.exam_sheet import sheet_content
from examtally.resources import resource

PICTURES = {
    "first-screen": ("audit.html", "", (1280, 1000)),
    "accuracy": ("audit.html", "h2:has-text('The figures behind it')", (1280, 1000)),
    "calibration": ("audit-annex.html", "h2:has-text('Stated probabilities')", (1280, 1000)),
    "phone": ("audit.html", "", (375, 812)),
}
"""Name of each: its page, what stands at its top (the page's own top where empty), width and height in pixels."""
_COLORS = 64  # which take a third of the bytes
_DOTS = 110  # an inch of paper


def take(report: Path, out: Path) -> None:
    """Take every picture of the pages in `report` and write it into `out`."""
    with chromium() as browser:
        for name, (page, top, (width, height)) in PICTURES.items():
            opened = open_file(browser, report / page, {"width": width, "height": height}).page
            if top:
                opened.locator(top).first.evaluate("at => window.scrollTo(0, at.getBoundingClientRect().top - 20)")
            _write(opened.screenshot(), out / f"{name}.png")
            opened.close()


def draw_sheet(out: Path) -> None:
    """Write the picture of the exam sheet into `out`."""
    content = {"data": json.dumps(sheet_content(kept_contract("knee"), "a4"))}
    given = {"sys_inputs": content, "font_paths": [font_folder()], "ignore_system_fonts": True, "ppi": _DOTS}
    _write(typst.compile(str(resource("reports") / "exam_sheet.typ"), format="png", **given), out / "exam-sheet.png")


def _write(picture: bytes, path: Path) -> None:
    Image.open(BytesIO(picture)).convert("RGB").quantize(_COLORS).save(path, optimize=True)


if __name__ == "__main__":
    if not CHROMIUM.exists():
        sys.exit("Chromium is needed to take these pictures, and is not found; install it and try again")
    draw_sheet(Path(sys.argv[2]))
    take(Path(sys.argv[1]).resolve(), Path(sys.argv[2]))
