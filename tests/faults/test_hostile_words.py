"""Forty hostile texts in every text of a study and of a place, as HTML, DOCX and PDF, opened in a browser."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml
from browsing import DESK, chromium, open_file
from hostile import hostile, listening
from programs import POPPLER, needs
from study_clinic import make_registry
from word_document import read_document

from examtally.reporting.manuscript.paper import render_study
from examtally.resources import reports_from, resource
from examtally.studies import run

EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "studies" / "single_test.yaml"
SHARES = 8
_STRAIGHT = str.maketrans("‘’“”", "''\"\"")


def _letters(text: str) -> str:
    """The text as typesetting leaves it: without spaces, quotation marks straight."""
    return re.sub(r"\s", "", text).replace("…", "...").translate(_STRAIGHT)


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_registry(tmp_path_factory.mktemp("clinic"))


@pytest.mark.study
@POPPLER
@needs("Chromium", "chromium")
@pytest.mark.parametrize("turn", range(SHARES))
def test_in_every_place_of_a_study_they_stand_as_words(clinic: Path, tmp_path: Path, turn: int) -> None:
    """Eight places in turn hold five texts each, so that each text comes to each place."""
    with listening() as (here, asked):
        texts = hostile(here)
        shares = [" ; ".join(texts[place::SHARES]) for place in range(SHARES)]
        said = [*shares[turn:], *shares[:turn]]
        source = yaml.safe_load(EXAMPLE.read_text(encoding="utf-8")) | {
            "title": said[0],
            "question": said[1],
            "hypotheses": [said[2]],
            "harms": said[3],
            "missing": {"findings": "excluded"},
        }
        reports = tmp_path / "reports"
        shutil.copytree(resource("reports"), reports)
        local = dict(zip(("group", "tag", "internal", "caution"), said[4:], strict=True))
        (reports / "local.yaml").write_text(yaml.safe_dump(local), encoding="utf-8")
        results = run(source, clinic).write(tmp_path / "results")
        with reports_from(reports):
            html, docx, pdf = render_study(results, tmp_path / "out", formats=("html", "docx", "pdf"))
        with chromium() as browser:
            opened = open_file(browser, html, DESK)
            opened.page.wait_for_timeout(300)
            shown, title = opened.page.inner_text("body"), opened.page.title()
    typeset = subprocess.run(["pdftotext", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    assert title == "Knee: manuscript of a study"
    assert [url for url in opened.asked if not url.startswith(("file:", "data:"))] == []
    assert (asked, opened.said) == ([], [])
    for page in (shown, read_document(docx).text, typeset):
        assert "root:x" not in page
        assert [text for text in (*said[:4], said[7]) if _letters(text) not in _letters(page)] == []
