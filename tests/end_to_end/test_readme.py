"""The commands and the notebook lines of the README do what it says, in the order in which it says them."""

from __future__ import annotations

import re
import shlex
from functools import partial
from pathlib import Path

import pytest

import examtally as et
from examtally.cli.app import main
from examtally.synthesis import synthesize

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.DOTALL | re.MULTILINE)


def test_commands_and_notebook_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    synthesize(tmp_path / "clinic", scenario=Path("small"), exams=10)
    (tmp_path / "clinic" / "records").rename(tmp_path / "records")
    lines = [line.split("#")[0] for block in _blocks("sh") for line in block.splitlines()]
    commands = [shlex.split(line)[1:] for line in lines if line.startswith("examtally ")]
    assert [words[0] for words in commands] == ["check", "ingest", "analyze", "report"]
    for words in commands:
        assert main(words) == 0, words
    assert (tmp_path / "report" / "audit.html").is_file()
    (notebook,) = _blocks("python")
    names: dict[str, object] = {}
    monkeypatch.setattr(et, "analyze", partial(et.analyze, only=("accuracy", "leading", "flow")))
    exec(compile(notebook, "README.md", "exec"), names)
    assert names["results"].accuracy.height > 0  # type: ignore[attr-defined]


@pytest.mark.parametrize("target", sorted(set(re.findall(r"\]\(([^)#:]+)\)", README))))
def test_links_lead_somewhere(target: str) -> None:
    assert (ROOT / target).exists()


def test_make_targets_exist() -> None:
    made = re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)
    assert set(re.findall(r"make ([a-z]+)", "\n".join(_blocks("sh")))) <= set(made)
