from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from examtally.contracts.contract import load_contract
from examtally.errors import ReportError
from examtally.reporting.engine.wording import read_wording, said, speak_of
from examtally.resources import resource


def test_bands_of_numbers_are_read_and_other_codes_shown_as_written() -> None:
    wording = read_wording(resource("reports"))
    assert [wording.word("group", code) for code in ("under_16", "16_25", "60_over")] == [
        "under 16",
        "16–25",
        "60 and over",
    ]
    assert wording.word("group", "S-01") == "S-01"
    assert wording.word("reason", "not_heard_of") == "not heard of"


def test_a_missing_text_is_named(tmp_path: Path) -> None:
    shutil.copy(resource("reports") / "words.yaml", tmp_path)
    (tmp_path / "local.yaml").write_text("group: Ours\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"local\.yaml has no text for tag, internal, caution"):
        read_wording(tmp_path)


@pytest.mark.parametrize("text", ["group: [\n", "a line\n"])
def test_a_file_that_is_no_mapping_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "local.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(ReportError, match=r"local\.yaml"):
        read_wording(tmp_path)


def test_a_mark_before_results_are_opened_is_refused_and_then_has_the_words_of_the_joint() -> None:
    speak_of(None)
    assert said("plain words") == "plain words"
    with pytest.raises(ReportError, match="before its results are opened"):
        said("«nouns»")
    speak_of(load_contract("ankle").catalogue.noun)
    assert said("«A noun», two «nouns»") == "An ankle, two ankles"
