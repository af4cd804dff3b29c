from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
import yaml
from hostile import hostile

from examtally.cli.output import complain, print_rows
from examtally.contracts.catalogue.catalogue import load_catalogue
from examtally.contracts.catalogue.local import load_local
from examtally.contracts.study.study import load_study
from examtally.errors import ContractError, ExamtallyError, ReportError
from examtally.reporting.engine.wording import read_wording
from examtally.resources import resource
from examtally.words import MARKUP, for_csv, for_markdown, for_terminal

EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "studies" / "single_test.yaml"
BELLS = ("\x1b[31mred", "\x1b]0;title\x07", "\x9b2J", "over\rwritten", "turned \u202e round", "half \ud800")


@pytest.mark.parametrize("text", BELLS)
def test_a_terminal_gets_no_order(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    complain(text)
    print_rows([(text, "1")])
    said = "".join(capsys.readouterr())
    assert all(sign.isprintable() or sign == "\n" for sign in said)
    assert "?" in said
    assert for_terminal("two\nlines, °, ≤ and ü") == "two\nlines, °, ≤ and ü"


def test_no_text_of_a_sheet_is_a_formula_and_no_number_is_touched() -> None:
    texts = ["=1+1", "@SUM(1)", "-2+3", "+cmd", "\t=1", "-3.5", "+2%", "1e-3", "", "words", None]
    wanted = ["'=1+1", "'@SUM(1)", "'-2+3", "'+cmd", "'\t=1", "-3.5", "+2%", "1e-3", "", "words", None]
    frame = pl.DataFrame({"text": texts, "number": [-1.5] * len(texts)})
    assert for_csv(frame)["text"].to_list() == wanted
    assert for_csv(frame)["number"].to_list() == frame["number"].to_list()


@pytest.mark.parametrize("text", hostile())
def test_every_sign_of_markup_is_escaped(text: str) -> None:
    written = for_markdown(text)
    assert written.replace("\\", "") == text.replace("\\", "")
    assert all(written[place - 1] == "\\" for place, sign in enumerate(written) if sign in MARKUP - {"\\"})


@pytest.mark.parametrize("text", [text for text in hostile() if MARKUP & set(text)])
def test_a_name_within_sentences_holds_no_markup(text: str) -> None:
    source = yaml.safe_load(EXAMPLE.read_text(encoding="utf-8"))
    tests = source["tests"]
    code = next(iter(tests))
    with pytest.raises(ExamtallyError, match=r"(markup in a report|at most 80)") as fault:
        load_study({**source, "tests": {**tests, code: {**tests[code], "title": text}}})
    assert "\n" not in str(fault.value)


def test_a_catalogue_and_words_hold_no_markup(tmp_path: Path) -> None:
    written = (resource("schemas") / "catalogue" / "knee.yaml").read_text(encoding="utf-8")
    name = load_catalogue("knee").maneuvers["lachman"].name
    catalogue = tmp_path / "knee.yaml"
    catalogue.write_text(written.replace(f"name: {name}", 'name: "{{< include /etc/passwd >}}"', 1), encoding="utf-8")
    with pytest.raises(ContractError, match=r"knee\.yaml, line \d+, maneuvers\.lachman\.name: holds"):
        load_local(catalogue)
    for file in ("words.yaml", "local.yaml"):
        (tmp_path / file).write_text((resource("reports") / file).read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "words.yaml").write_text("reason:\n  pain: '<b>pain</b>'\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"words\.yaml: reason\.pain holds"):
        read_wording(tmp_path)
    (tmp_path / "words.yaml").write_text("reason:\n  pain: Pain\n", encoding="utf-8")
    (tmp_path / "local.yaml").write_text(
        "group: '<b>'\ntag: '![x](/etc/passwd)'\ninternal: '{{< include x >}}'\ncaution: '`a`'\n", encoding="utf-8"
    )
    assert read_wording(tmp_path).tag == for_markdown("![x](/etc/passwd)")
