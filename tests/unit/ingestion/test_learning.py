"""What finished mappings taught: which words are kept, which are left out, and what the next draft makes of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from records import write_csv

from examtally.cli.app import main
from examtally.contracts.contract import load_contract, registry_contract
from examtally.contracts.records.own_synonyms import OwnSynonyms, load_own_synonyms
from examtally.errors import ContractError, MappingError
from examtally.ingestion import check
from examtally.ingestion.drafting.draft import draft
from examtally.ingestion.drafting.learning import Learned, learn

MAPPING = """\
title: a clinic with words of its own
sources: {visits: {files: "visits.csv", ignore: [Room, "Scribe *"]}}
tables:
  examiners:
    repeats: first
    columns: {examiner_id: {column: Hand, codes: {Marrowgate: EM-1}}, role: {column: Rung, codes: {upper: attending}}}
  participants:
    repeats: first
    columns: {participant_id: Folder, bmi: {bmi: {weight: Kilos, height: Size}}}
  exams:
    each: {side: {Dx: right, Sx: left}}
    when_any: ["LaxFront {side}"]
    columns:
      exam_id: {join: [Slip, {each: side}]}
      participant_id: Folder
      side: {each: side}
      examiner_id: Hand
      period: Month
      exam_day: Tally
      guarding: {column: "Tense {side}", codes: {tense: "yes", loose: "no"}}
  findings:
    each: {side: {Dx: right, Sx: left}, maneuver: {LaxFront: lachman, Rings: mcmurray_medial}}
    cell: "{maneuver} {side}"
    columns:
      exam_id: {join: [Slip, {each: side}]}
      maneuver: {each: maneuver}
      result: {codes: {jumps: positive, holds: negative}}
"""
REPORTS = """\
title: its readings
sources: {readings: {files: "mri.csv"}}
tables:
  references:
    split: {column: Lines}
    columns:
      reference_id: Sheet
      participant_id: Folder
      side: {value: right}
      modality: {value: mri}
      reference_day: Tally
      condition: {matches: {"^frontband|^front strap": acl_tear, "^(mm|im)": medial_meniscus_tear}}
      status: {matches: {snapped: present, "fine|whole": absent}}
"""


def visits(folder: Path) -> Path:
    """An export of both sides with those words."""
    rows = [
        {"Slip": f"S-{n:02}", "Folder": f"PT-{n}", "Hand": "EM-1", "Rung": "upper", "Month": "P001", "Tally": n}
        | {"Kilos": 80, "Size": 180, "Room": "b", "LaxFront Dx": "jumps", "LaxFront Sx": "holds", "Rings Dx": "holds"}
        | {"Rings Sx": "jumps", "Tense Dx": "tense", "Tense Sx": "loose"}
        for n in range(1, 9)
    ]
    return write_csv(folder / "visits.csv", rows)


@pytest.fixture
def mapping(tmp_path: Path) -> Path:
    path = tmp_path / "clinic.yaml"
    path.write_text(MAPPING, encoding="utf-8")
    return path


def test_a_draft_of_the_same_export_needs_nobody_once_it_was_taught(mapping: Path, tmp_path: Path) -> None:
    file, own = visits(tmp_path), tmp_path / "own.yaml"
    assert draft([file]).unsure > 3
    assert learn([mapping], own) == Learned(columns=8, codes=9, ignored=1, changed=0, unclear=0)
    made = draft([file], synonyms=own)
    assert made.unsure == 0
    assert (made.placed, made.ignored) == (14, 1)
    (tmp_path / "draft.yaml").write_text(made.text, encoding="utf-8")
    taught, finished = (check([file], mapping=one) for one in (tmp_path / "draft.yaml", mapping))
    assert taught.is_clean
    assert taught.previews == finished.previews


def test_no_identifier_is_learned_and_nothing_that_is_known(mapping: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.yaml"
    learn([mapping], own)
    text = own.read_text(encoding="utf-8")
    assert "Marrowgate" not in text
    assert "Scribe" not in text
    assert "Month" not in text
    assert learn([mapping], own) == Learned(0, 0, 0, 0, 0)
    assert own.read_text(encoding="utf-8") == text


def test_what_deidentification_replaces_is_drafted_as_such_again(mapping: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.yaml"
    mapping.write_text(MAPPING + "deidentify: {participant: [Folder], codes: {Hand: examiner}, dates: [Tally]}\n")
    learn([mapping], own)
    text = own.read_text(encoding="utf-8")
    assert all(name not in text for name in ("Folder", "Hand", "Tally"))
    assert "Kilos" in text


def test_patterns_of_reports_teach_their_words(tmp_path: Path) -> None:
    (tmp_path / "reports.yaml").write_text(REPORTS, encoding="utf-8")
    learn([tmp_path / "reports.yaml"], tmp_path / "own.yaml")
    words = load_own_synonyms(tmp_path / "own.yaml", registry_contract())
    assert words.codes["references.condition"] == {"frontband": "acl_tear", "front strap": "acl_tear"}
    assert words.codes["references.status"] == {"snapped": "present", "fine": "absent", "whole": "absent"}
    rows = [{"Sheet": f"RD-{n}", "Folder": "PT-1", "Tally": n, "Lines": "Frontband snapped; MM: fine"} for n in (1, 2)]
    text = draft([write_csv(tmp_path / "mri.csv", rows)], synonyms=tmp_path / "own.yaml").text
    assert 'condition: {matches: {"^frontband\\\\b": acl_tear, "^mm\\\\b": medial_meniscus_tear}}\n' in text


def test_an_entry_of_one_condition_teaches_what_its_columns_are_called(tmp_path: Path) -> None:
    """The column of a status is a name of the condition; one of its severity is none of severities as such."""
    path, words = tmp_path / "one.yaml", tmp_path / "own.yaml"
    patterns = REPORTS.index("      condition:")
    path.write_text(
        REPORTS[:patterns].replace("    split: {column: Lines}\n", "") + "      condition: {value: acl_tear}\n"
        "      status: {column: Frontband, codes: {snapped: present}}\n      severity: Frontband kind\n"
    )
    learn([path], words)
    made = load_own_synonyms(words, registry_contract())
    assert made.codes["references.condition"] == {"Frontband": "acl_tear"}
    assert not {"Frontband", "Frontband kind"} & set(made.columns)


def test_a_word_read_in_two_ways_is_left_out_and_a_new_meaning_replaces_the_old(mapping: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(MAPPING.replace("jumps: positive", "jumps: equivocal"), encoding="utf-8")
    own = tmp_path / "own.yaml"
    assert learn([mapping, other], own).unclear == 1
    assert "jumps" not in own.read_text(encoding="utf-8")
    learn([mapping], own)
    assert learn([other], own) == Learned(0, 1, 0, 1, 0)
    words = load_own_synonyms(own, registry_contract())
    assert words.codes_of("findings.result", None)["jumps"] == "equivocal"


def test_words_of_another_joint_are_passed_over(mapping: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.yaml"
    learn([mapping], own)
    words = load_own_synonyms(own, registry_contract())
    legal = load_contract("shoulder").tables["findings"].field("maneuver").enum
    assert words.codes_of("findings.maneuver", legal) == {}
    assert "laxfront" in words.codes_of("findings.maneuver", None)
    assert "lachman" not in draft([visits(tmp_path)], joint="shoulder", synonyms=own).text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("title: a\ncodes: {findings.result: {maybe: [q]}}", "no code of findings.result"),
        ("title: a\ncolumns: {exams.shoe: [q]}", "no column of the record tables"),
        ("title: a\nwords: {}", "unknown key 'words'"),
    ],
)
def test_a_wrong_file_is_told_and_kept(text: str, said: str, mapping: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.yaml"
    own.write_text(text, encoding="utf-8")
    with pytest.raises(ContractError, match=said):
        learn([mapping], own)
    assert own.read_text(encoding="utf-8") == text


def test_a_wrong_mapping_teaches_nothing(mapping: Path, tmp_path: Path) -> None:
    mapping.write_text(MAPPING.replace("holds: negative", "holds: gone"), encoding="utf-8")
    with pytest.raises(MappingError):
        learn([mapping], tmp_path / "own.yaml")
    assert not (tmp_path / "own.yaml").exists()


def test_the_file_of_the_settings_is_written_and_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "clinic.yaml").write_text(MAPPING, encoding="utf-8")
    (tmp_path / "examtally.toml").write_text('synonyms = "our_words.yaml"\n')
    monkeypatch.chdir(tmp_path)
    visits(tmp_path)
    assert main(["map", "draft", "visits.csv", "--out", "a.yaml"]) == 0
    assert main(["map", "learn", "clinic.yaml"]) == 0
    assert "8 names of columns, 9 words for codes" in capsys.readouterr().out
    assert (tmp_path / "our_words.yaml").exists()
    assert main(["map", "draft", "visits.csv", "--out", "b.yaml"]) == 0
    assert "LaxFront: lachman" not in (tmp_path / "a.yaml").read_text()
    assert "LaxFront: lachman" in (tmp_path / "b.yaml").read_text()


def test_words_of_both_are_kept_and_an_ignored_column_that_is_read_now_is_no_longer_ignored() -> None:
    old = OwnSynonyms({"Slip": "exams.exam_id"}, {"findings.result": {"jumps": "positive"}}, ("Room", "Tally"))
    new = OwnSynonyms({"tally": "exams.exam_day"}, {"findings.result": {"holds": "negative"}}, ("slip",))
    both = old.with_those_of(new)
    assert both.columns == {"tally": "exams.exam_day"}
    assert both.codes == {"findings.result": {"jumps": "positive", "holds": "negative"}}
    assert both.ignored == ("slip", "Room")
