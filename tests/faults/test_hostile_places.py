"""Hostile texts in settings, codes of a group, a group's own catalogue, FHIR resources and reasons: refused in a line,
or kept as the words they are."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
import yaml
from browsing import DESK, chromium, open_file
from hostile import hostile, letters, listening
from programs import POPPLER, typeset
from writing_commands import COMMANDS, Place, write_site

from examtally.cli.app import main
from examtally.contracts.own_catalogue import new_catalogue
from examtally.registry.verifying import verify
from examtally.synthesis import synthesize

ORDERS = ("\x1b]0;turned\x07", "\x1b[31mred", "back\x08ward", "\u202egnirts", "two\nlines")
"""Texts that would command a terminal, or pass for another line of it."""
EVERY = pytest.mark.study
Capture = pytest.CaptureFixture[str]


def _sample(texts: Sequence[str]) -> list[Any]:
    """The first by default, all of them in the long run."""
    return [texts[0], *(pytest.param(one, marks=EVERY) for one in texts[1:])]


def _assert_plain(capsys: Capture, *, unsaid: str = "") -> str:
    """What was printed commands no terminal, is no trace, and does not hold `unsaid`."""
    found = capsys.readouterr()
    said = found.out + found.err
    assert all(sign == "\n" or sign.isprintable() for sign in said)
    assert "\u202e" not in said
    assert "Traceback" not in said
    assert not unsaid or unsaid not in said
    return said


@pytest.mark.parametrize("text", [*_sample(hostile()), *_sample(ORDERS)])
def test_words_of_the_settings_run_nothing_and_command_no_terminal(
    text: str, clinic_of_commands: Path, tmp_path: Path, capsys: Capture
) -> None:
    place = Place.of(clinic_of_commands, tmp_path / "group", COMMANDS["ingest"])
    place.begin()
    files = sorted(path for path in tmp_path.rglob("*"))
    word, known = json.dumps(text), 'registry = "registry.duckdb"\n'
    settings = (
        f"{known}[sources.{word}]\nfiles = ['more/*.csv']\n",
        f"{known}[sources.one]\nfiles = [{word}]\n",
        f"{known}operator = {word}\n[sources.one]\nfiles = ['more/*.csv']\n",
        f"registry = {word}\n[sources.one]\nfiles = ['more/*.csv']\n",
        f"{known}{word} = 1\n",
        f"{known}[sources.one]\nfiles = ['more/*.csv']\nmapping = {word}\n",
    )
    for content in settings:
        (place.folder / "examtally.toml").write_text(content, encoding="utf-8")
        for words in (["feed"], ["batches"], ["batches", "--log"]):
            code = main(words)
            assert code == 2 if content in settings[:4] and not text.isprintable() else code in range(8), content
        _assert_plain(capsys)
    new = {path.name for path in tmp_path.rglob("*")} - {path.name for path in files}
    assert new <= {"examtally.toml"} | {text, Path(text).name}
    assert verify(place.registry).faults == ()


@pytest.mark.parametrize("text", [*_sample(hostile()), *_sample(ORDERS)])
def test_a_code_of_a_group_is_none_of_them(
    text: str, clinic_of_commands: Path, tmp_path: Path, capsys: Capture
) -> None:
    place = Place.of(clinic_of_commands, tmp_path / "group", COMMANDS["site summary"])
    place.begin()
    at = ["--results", "results", "--registry", "registry.duckdb", "--out", "given.json"]
    assert main(["site", "summary", *at, "--site", text]) == 10
    assert "capital letters" in _assert_plain(capsys, unsaid=text)
    assert not Path("given.json").exists()
    others = [write_site(Path(f"S-{n}.json"), f"S-{n}") for n in range(4)]
    for number, path in enumerate(
        (
            write_site(Path("code.json"), text),
            write_site(Path("condition.json"), "S-8", condition=text),
            write_site(Path("maneuver.json"), "S-8", maneuver=text),
            write_site(Path("count.json"), "S-8", tp=text),
        )
    ):
        assert main(["pool", *map(str, [*others, path]), "--out", f"pooled-{number}"]) == 10, path
        _assert_plain(capsys, unsaid=text)
        assert not Path(f"pooled-{number}").exists()


def _own_catalogue(folder: Path, texts: Sequence[str]) -> Path:
    """A catalogue that adds a maneuver for each text, in every place where the group writes words."""
    content = yaml.safe_load(new_catalogue("knee"))
    content["maneuvers"] = {
        f"own_{number}": {
            "name": text, "phase": "special", "purpose": "diagnostic", "conditions": ["acl_tear"], "positive": text,
            "signs": ["laxity"], "technique": text, "cautions": [text], "synonyms": [text.lower()],
        }
        for number, text in enumerate(texts)
    }  # fmt: skip
    path = folder / "own.yaml"
    path.write_text(yaml.safe_dump(content), encoding="utf-8")
    return path


def _legal(folder: Path, texts: Sequence[str], capsys: Capture) -> list[str]:
    """The texts that a catalogue takes; of the others it says in a line what is wrong, without the text."""
    found = []
    for text in texts:
        if main(["catalogue", "check", str(_own_catalogue(folder, [text]))]) == 0:
            found.append(text)
            capsys.readouterr()
        else:
            assert "markup" in _assert_plain(capsys)
    return found


PLAIN = ("=1+1", "+1+1", "-1+1", "=cmd|' /C calc'!A0".replace("|", " "), "%s %n", "'quoted' (1 + 1); 100%")
"""Words that a catalogue takes and a spreadsheet would read as a formula."""


@POPPLER
@pytest.mark.study
def test_words_of_a_catalogue_stand_as_words_in_pack_form_sheet_and_workbook(tmp_path: Path, capsys: Capture) -> None:
    from openpyxl import load_workbook

    with listening() as (here, asked):
        texts = [*_legal(tmp_path, hostile(here), capsys), *_legal(tmp_path, PLAIN, capsys)]
        assert any(text.startswith("=") for text in texts)
        own = ["--catalogue", str(_own_catalogue(tmp_path, texts))]
        pack, codes = tmp_path / "pack", ",".join(f"own_{number}" for number in range(len(texts)))
        asked_for = ["--maneuvers", codes, "--examiners", "2", "--participants", "2", "--out", str(pack)]
        assert main(["agree", "pack", *asked_for, *own]) == 0
        assert main(["form", "--out", str(tmp_path / "exam.html"), *own]) == 0
        assert main(["form", "--fhir", "--out", str(tmp_path / "exam.json"), *own]) == 0
        assert main(["workbook", "--out", str(tmp_path / "records.xlsx"), *own]) == 0
        assert main(["workbook", "--tables", "--out", str(tmp_path / "tables.xlsx"), *own]) == 0
        with chromium() as browser:
            for page in (pack / "form.html", tmp_path / "exam.html"):
                opened = open_file(browser, page, DESK)
                if page.name == "form.html":
                    opened.page.click("text=E01")
                opened.page.wait_for_timeout(300)
                shown = opened.page.evaluate(_SAID)
                assert [text for text in texts if text not in shown] == [], page.name
                assert opened.page.title() not in ("ran", "1")
                assert [url for url in opened.asked if not url.startswith(("file:", "data:"))] == []
                assert (asked, opened.said) == ([], [])
                assert "root:x" not in shown
                opened.page.close()
    sheets = letters(typeset(pack / "sheets.pdf"))
    assert [text for text in texts if letters(text)[:24] not in sheets] == []  # what is longer is broken in its cell
    for name in ("records.xlsx", "tables.xlsx"):
        cells = [cell for sheet in load_workbook(tmp_path / name) for row in sheet.iter_rows() for cell in row]
        assert [cell.value for cell in cells if cell.data_type == "f"] == []
        said = {str(cell.value) for cell in cells}
        assert [text for text in texts if not any(text in one for one in said)] == [], name


_SAID = """() => {
    const body = document.body.cloneNode(true)
    body.querySelectorAll("script").forEach(one => one.remove())
    return body.textContent
}"""


def _change(content: Any, change: Callable[[str, str], str], key: str = "") -> Any:
    if isinstance(content, dict):
        return {name: _change(value, change, name) for name, value in content.items()}
    if isinstance(content, list):
        return [_change(value, change, key) for value in content]
    return change(key, content) if isinstance(content, str) else content


@pytest.fixture(scope="module")
def feed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small clinic as FHIR resources with their mapping."""
    made = tmp_path_factory.mktemp("feed")
    synthesize(made, scenario=Path("small"), exams=20, as_fhir=True)
    return made / "fhir"


HELD = ("id", "code", "valueString", "reference", "gender", "system", "display")


@pytest.mark.parametrize("key", _sample(HELD))
def test_words_of_fhir_resources_get_nowhere(key: str, feed: Path, tmp_path: Path, capsys: Capture) -> None:
    """In every place of a resource that a mapping reads, and in narrative, notes and names that none reads."""
    folder = tmp_path / "feed"
    shutil.copytree(feed, folder)
    with listening() as (here, asked):
        texts = hostile(here)
        number = 0

        def next_text(name: str, value: str) -> str:
            nonlocal number
            if name != key or value in ("Patient", "Encounter", "Observation", "Practitioner"):
                return value
            number += 1
            return texts[number % len(texts)] if number % 3 == 0 else value

        for path in folder.glob("*.ndjson"):
            lines = []
            for place, line in enumerate(path.read_text(encoding="utf-8").splitlines()):
                text = texts[place % len(texts)]
                beside = {"text": {"status": "generated", "div": f"<div>{text}</div>"}, "note": [{"text": text}]}
                beside |= {"name": [{"family": text}]}
                lines.append(json.dumps(_change(json.loads(line), next_text) | beside))
            path.write_text("\n".join([*lines, ""]), encoding="utf-8")
        registry, pages = tmp_path / "registry.duckdb", tmp_path / "pages"
        at = ["--mapping", str(folder / "mapping.yaml")]
        said = ""
        assert main(["check", str(folder), *at]) in (0, 3)
        code = main(["ingest", str(folder), "--registry", str(registry), "--allow-held", "1", *at])
        assert code in (0, 3)
        said = _assert_plain(capsys)
        if code == 0:
            assert main(["held", "--registry", str(registry)]) == 0
            assert main(["report", "intake", "--registry", str(registry), "--out", str(pages)]) == 0
            said += _assert_plain(capsys)
            said += "".join(page.read_text(encoding="utf-8") for page in pages.glob("*.html"))
            kept = registry.read_bytes()
            assert [text for text in texts if text.encode() in kept] == []
        assert [text for text in texts if text in said] == []
        assert asked == []


@pytest.mark.parametrize("text", _sample([*hostile(), *PLAIN]))
def test_the_reason_of_an_approval_is_a_word_in_log_and_terminal(
    text: str, clinic_of_commands: Path, tmp_path: Path, capsys: Capture
) -> None:
    place = Place.of(clinic_of_commands, tmp_path / "group", COMMANDS["release"])
    place.begin()
    assert main([*place.words, "--approved-by", "audit committee", "--because", text]) == 0
    (log,) = Path("out").glob("disclosure-log*.csv")
    with log.open(encoding="utf-8", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))] == []
    assert main(["batches", "--registry", "registry.duckdb", "--log"]) == 0
    _assert_plain(capsys)
    for page in Path("out").rglob("*"):
        assert not page.is_file() or page.suffix not in (".html", ".csv", ".json") or page == log or (
            text not in page.read_text(encoding="utf-8")
        )  # fmt: skip


@pytest.mark.parametrize("text", _sample([text for text in hostile() if "/" not in text]))
def test_a_page_by_such_a_name_is_no_link_of_the_index(
    text: str, clinic_of_commands: Path, tmp_path: Path, capsys: Capture
) -> None:
    place = Place.of(clinic_of_commands, tmp_path / "group", COMMANDS["card"])
    assert place.begin()() == 0
    (card,) = Path("out").glob("*.html")
    shutil.copy(card, card.with_name(f"{text}.html"))
    shutil.copy(card, card.with_name(f"card-{text}.html"))
    assert main(["report", "index", "--results", "results", "--in", "out"]) == 0
    assert text not in Path("out/index.html").read_text(encoding="utf-8")
    with chromium() as browser:
        opened = open_file(browser, Path("out/index.html").resolve(), DESK)
        opened.page.wait_for_timeout(200)
        assert opened.page.title() not in ("ran", "1")
        assert opened.said == []
    _assert_plain(capsys)
