from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from examtally.errors import ReportError
from examtally.plots.look import ABSENT, PRESENT, bare, style
from examtally.reporting.audit.forest import Row, forest
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.figures import paper, publish

DATA = pl.DataFrame({"a": [1]})


def estimate(value: float | None, low: float | None, high: float | None, *, shown: bool = True) -> Estimate:
    return Estimate("sensitivity", value, low, high, 8, 10, 10, shown=shown, note="")


def draw(name: str, **words: str) -> str:
    with style():
        figure = paper(1.0)
        bare(figure.add_axes((0.1, 0.2, 0.8, 0.7))).plot([0, 1], [0, 1])
        return publish(figure, name, data=DATA, **({"caption": "A line", "alt": 'It rises "all" the way'} | words))


def drawn(name: str) -> Path:
    """The one figure of that name."""
    (path,) = Path("fig").glob(f"{name}-????????.svg")
    return path


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_the_same_figure_twice_has_the_same_bytes() -> None:
    digests = []
    for _ in range(2):
        draw("line")
        digests.append(hashlib.sha256(drawn("line").read_bytes()).hexdigest())
    assert digests[0] == digests[1]


def test_a_figure_names_no_address_date_or_program() -> None:
    draw("line")
    text = drawn("line").read_text(encoding="utf-8")
    assert text.startswith("<svg")
    assert set(re.findall(r"https?://[^\"]+", text)) <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert "atplotlib" not in text.replace("matplotlib.axis", "")


def test_a_figure_comes_with_caption_alternative_text_and_data() -> None:
    text = draw("line")
    assert re.search(r'!\[A line\]\(fig/line-[0-9a-f]{8}\)\{#fig-line alt="It rises \\"all\\" the way"\}', text)
    assert 'download="line.csv"' in text


@pytest.mark.parametrize("missing", ["caption", "alt"])
def test_a_figure_without_words_is_refused(missing: str) -> None:
    with pytest.raises(ReportError, match="figure line needs a caption, an alternative text and the data"):
        draw("line", **{missing: " "})


def test_a_forest_plot_writes_counts_where_there_are_too_few() -> None:
    few = estimate(0.8, 0.5, 0.9, shown=False)
    text = forest([Row("Lachman test", estimate(0.8, 0.5, 0.9), few)], "forest", caption="C", alt="A")
    svg = drawn("forest").read_text(encoding="utf-8")
    assert ">Lachman test<" in svg
    assert ">80%<" in svg
    assert svg.count("8 of 10, too few") >= 1
    assert "fig/forest" in text


def test_each_side_of_a_forest_plot_has_its_own_figures() -> None:
    found, cleared = estimate(0.81, 0.7, 0.9), replace(estimate(0.93, 0.9, 0.95), measure="specificity")
    forest([Row("X", found, cleared)], "forest", caption="C", alt="A")
    svg = drawn("forest").read_text(encoding="utf-8")
    written = dict(re.findall(r"fill: (#\w+)\"[^>]*>(\d+%)<", svg))
    assert (written[PRESENT], written[ABSENT]) == ("81%", "93%")
    assert svg.index(">81%<") < svg.index(">Sensitivity<") < svg.index(">93%<") < svg.index(">Specificity<")


def test_what_is_not_shown_is_not_in_the_download_either() -> None:
    few = estimate(0.8123, 0.5, 0.9, shown=False)
    text = forest([Row("X", few, few)], "forest", caption="C", alt="A")
    match = re.search(r"base64,([^)]+)\)", text)
    assert match
    assert "0.8123" not in base64.b64decode(match.group(1)).decode()


def test_words_of_a_figure_are_those_of_the_joint_and_a_mark_left_is_refused() -> None:
    for label, is_refused in (("«Nouns» verified", False), ("from a tick", True)):
        with style():
            figure = paper(1.0)
            axes = figure.add_axes((0.1, 0.2, 0.8, 0.7))
            axes.set_xlabel(label)
            if is_refused:  # a formatter writes its text anew when the figure is drawn
                axes.xaxis.set_major_formatter(lambda *_: "«nouns»")
        if is_refused:
            with pytest.raises(ReportError, match="holds a mark of the joint's noun"):
                publish(figure, "ticks", data=DATA, caption="A line", alt="Words")
        else:
            publish(figure, "label", data=DATA, caption="A line", alt="Words")
            assert "Knees verified" in drawn("label").read_text(encoding="utf-8")
