"""What the documentation says of studies is what the program does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from examtally.cli.app import app
from examtally.contracts.dictionary.dictionary import render_dictionary

DOCS = Path(__file__).resolve().parents[3] / "docs"
TEXT = (DOCS / "study.md").read_text(encoding="utf-8")


def test_every_key_stands_in_the_documentation_as_in_the_dictionary() -> None:
    assert TEXT.endswith(f"## Every key\n\n{render_dictionary('study', 'markdown')}")


def test_every_linked_protocol_is_there_and_no_other() -> None:
    linked = set(re.findall(r"\(studies/([a-z_]+\.yaml)\)", TEXT))
    assert linked == {path.name for path in (DOCS / "studies").glob("*.yaml")}


@pytest.mark.parametrize("line", [line for line in TEXT.splitlines() if line.startswith("examtally study")])
def test_the_commands_have_the_options_that_are_written(line: str) -> None:
    words = line.split("#")[0].split()[1:]
    said = CliRunner().invoke(app, [*words[:2], "--help"], terminal_width=200)
    assert said.exit_code == 0
    assert all(word in said.output for word in words if word.startswith("--"))
