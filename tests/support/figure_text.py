"""Words in the figures of a page as a browser draws them: too small, over each other, or outside the frame."""

from __future__ import annotations

import base64
from pathlib import Path

from browsing import open_file
from playwright.sync_api import Browser

SMALLEST = 9.0  # px on the screen
_SHOWN = "[...document.images].filter(i => i.clientWidth).map(i => [i.src, i.clientWidth])"
_MEASURED = """
async drawn => {
  await document.fonts.ready;
  return drawn.map(([svg, width]) => {
    const host = document.body.appendChild(document.createElement('div'));
    const tree = host.attachShadow({mode: 'open'});  // names of parts of one figure mean nothing in another
    tree.innerHTML = svg;
    const whole = tree.querySelector('svg');
    whole.style.cssText = `width: ${width}px; height: auto`;
    const frame = whole.getBoundingClientRect();
    const scale = frame.width / whole.viewBox.baseVal.width;
    const texts = [...tree.querySelectorAll('text')].map(text => {
      const box = text.getBoundingClientRect();
      const size = parseFloat(getComputedStyle(text).fontSize) * scale;
      return [text.textContent, box.left, box.top, box.right, box.bottom, size];
    });
    host.remove();
    return [[frame.left, frame.top, frame.right, frame.bottom], ...texts];
  });
}
"""


def faults_of_figures(browser: Browser, path: Path, viewport: dict[str, int]) -> list[str]:
    """What is wrong with the words of the figures that a page shows in this window, each in one line."""
    opened = open_file(browser, path, viewport)
    shown = opened.page.evaluate(_SHOWN)
    opened.page.close()
    assert shown, f"{path.name} shows no figure"
    drawn = [(base64.b64decode(source.split("base64,")[1]).decode(), width) for source, width in shown]
    return [f"figure {number}: {fault}" for number, faults in enumerate(_faults(browser, drawn), 1) for fault in faults]


def faults_of(browser: Browser, svg: str, width: float) -> list[str]:
    """The same of one figure drawn `width` px wide."""
    (found,) = _faults(browser, [(svg, width)])
    return found


def _faults(browser: Browser, drawn: list[tuple[str, float]]) -> list[list[str]]:
    """What is wrong with each figure, all measured on one page."""
    page = browser.new_page()
    page.set_content("<body style='margin: 20px'></body>")
    measured = page.evaluate(_MEASURED, [[svg[svg.index("<svg") :], width] for svg, width in drawn])
    page.close()
    return [[*_small_or_outside(frame, texts), *_over_each_other(texts)] for frame, *texts in measured]


def _small_or_outside(frame: list[float], texts: list[list]) -> list[str]:  # type: ignore[type-arg]
    found = []
    for words, left, top, right, bottom, size in texts:
        if words.strip() and size < SMALLEST:
            found.append(f"'{words}' is {size:.1f} px")
        if left < frame[0] - 1 or top < frame[1] - 1 or right > frame[2] + 1 or bottom > frame[3] + 1:
            found.append(f"'{words}' leaves the frame")
    return found


def _over_each_other(texts: list[list]) -> list[str]:  # type: ignore[type-arg]
    """Pairs of words that share more than a hair; the height of a line is more than that of its letters."""
    found = []
    for place, (one, left, top, right, bottom, size) in enumerate(texts):
        for other, left_2, top_2, right_2, bottom_2, _ in texts[place + 1 :]:
            wide = min(right, right_2) - max(left, left_2)
            high = min(bottom, bottom_2) - max(top, top_2)
            if wide > 1 and high > 0.3 * size and one.strip() and other.strip():
                found.append(f"'{one}' and '{other}' lie over each other")
    return found
