"""The documentation is printed by the program, and every page or path that a help or a message names exists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from examtally.cli.app import main
from examtally.resources import resource

PACKAGE = Path(__file__).resolve().parents[3] / "pipeline" / "examtally"
SAID = "\n".join(path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py")))
PAGES = sorted(path.stem for path in resource("docs").glob("*.md"))


@pytest.mark.parametrize("page", PAGES)
def test_every_page_is_printed(page: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide", page]) == 0
    assert capsys.readouterr().out.startswith("# ")


def test_without_a_topic_their_titles_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == PAGES
    assert all(len(line) <= 100 and len(line.split()) > 1 for line in lines)


def test_an_unknown_topic_is_refused_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide", "secret-words"]) != 0
    said = capsys.readouterr().err.strip()
    assert "choose from deidentification, editor, first-report, mapping" in said
    assert "secret-words" not in said
    assert "\n" not in said


def test_pages_named_by_the_program_exist() -> None:
    named = set(re.findall(r"examtally guide ([a-z-]+)", SAID))
    assert "monthly" in named
    assert named <= set(PAGES)


def test_paths_named_by_the_program_exist() -> None:
    """A path below docs/ would lead nowhere for who installed the wheel, unless the wheel carries it."""
    named = set(re.findall(r"\bdocs/[\w./-]*\w", SAID))
    assert all((resource("docs").parent / path).exists() for path in named), named
