"""The help: one screen of every command by group, quick, and no word of it leads to a file that is not there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main
from typer.testing import CliRunner

from examtally.cli.app import GROUPS, app
from examtally.errors import StudyError
from examtally.studies.answers import check_expected, read_code

ROOT = Path(__file__).resolve().parents[3]
GROUP = typer.main.get_group(app)


def _help(*words: str) -> str:
    found = CliRunner().invoke(app, [*words, "--help"], prog_name="examtally", env={"COLUMNS": "80"})
    assert found.exit_code == 0
    return found.output


def _every_command() -> list[tuple[str, ...]]:
    inner = [
        (name, below)
        for name, command in GROUP.commands.items()
        if hasattr(command, "commands")
        for below in command.commands
    ]
    return [(name,) for name in GROUP.commands] + inner


def test_every_command_stands_on_one_screen_under_its_group() -> None:
    lines = _help().rstrip().splitlines()
    assert 24 <= len(lines) <= 46
    assert max(map(len, lines)) <= 80
    assert {name for group in GROUPS.values() for name in group} == set(GROUP.commands)
    at = [lines.index(heading) for heading in GROUPS]
    assert at == sorted(at)
    for heading, commands in GROUPS.items():
        below = lines[lines.index(heading) + 1 :][: len(commands)]
        assert [line.split()[0] for line in below] == list(commands)
        assert all(line.endswith(words) for line, words in zip(below, commands.values(), strict=True))


@pytest.mark.parametrize("words", _every_command(), ids=" ".join)
def test_a_page_or_command_that_help_names_exists(words: tuple[str, ...]) -> None:
    text = " ".join(_help(*words).split())
    for path in re.findall(r"docs/[\w./-]+\w", text):
        assert (ROOT / path).is_file(), path
    for name in re.findall(r"`examtally (\w+)", text):
        assert name in GROUP.commands


def _processor_time(*words: str) -> float:
    """Of a Python process: a busy machine makes nobody else's help slow."""
    before = os.times()
    subprocess.run([sys.executable, *words], check=True, capture_output=True)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def test_help_and_version_come_at_once() -> None:
    """In twice the time that this machine, fast or slow, needs for the library of commands."""
    command = ["-m", "examtally.cli"]
    turns = [(_processor_time(*command, "--help"), _processor_time("-c", "import typer.rich_utils")) for _ in range(3)]
    took, library = map(min, zip(*turns, strict=True))
    assert took < 2 * library
    command = [sys.executable, *command]
    said = subprocess.run([*command, "--version"], check=True, capture_output=True, text=True).stdout
    assert re.fullmatch(r"examtally \d+\.\d+\S*\n", said)


@pytest.mark.parametrize(("typed", "wanted"), [("examtally in", "ingest"), ("examtally report mon", "monthly")])
def test_the_shell_completes_commands(typed: str, wanted: str) -> None:
    env = {
        "_EXAMTALLY_COMPLETE": "complete_bash",
        "COMP_WORDS": typed,
        "COMP_CWORD": str(len(typed.split()) - 1),
    }
    found = CliRunner().invoke(app, [], prog_name="examtally", env=env)
    assert wanted in found.output.split()


def test_a_command_that_is_not_there_is_told_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    from examtally.cli.app import main

    assert main(["anlyze"]) == 2
    assert "analyze" in capsys.readouterr().err


def test_the_help_of_a_study_says_what_its_answers_take() -> None:
    text = " ".join(_help("study", "new").replace("│", " ").split())
    assert "Short code: small letters, digits, _." in text
    with pytest.raises(StudyError):
        read_code("Lachman_by_girth")
    assert read_code("lachman_by_girth_2") == "lachman_by_girth_2"
    assert "One share for all tests, as 0.85; two for both measures and for agreement." in text
    for kind, measure, figures in (
        ("paired", "sensitivity", (0.85,)),
        ("paired", "both", (0.85, 0.9)),
        ("agreement", "sensitivity", (0.6, 0.4)),
    ):
        check_expected(figures, kind, measure)
        with pytest.raises(StudyError):
            check_expected((0.85, 0.9)[: 3 - len(figures)], kind, measure)
