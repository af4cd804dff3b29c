"""The commands and the notebook lines of the README do what it says, in the order in which it says them."""

from __future__ import annotations

import re
import shlex
import subprocess
import venv
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


def test_both_pages_say_how_the_program_is_found(tmp_path: Path) -> None:
    """What they say to type makes `examtally` a command in a folder of its own."""
    venv.create(tmp_path / ".venv", with_pip=False, symlinks=True)
    program = tmp_path / ".venv" / "bin" / "examtally"
    program.write_text("#!/bin/sh\necho found\n", encoding="utf-8")
    program.chmod(0o700)
    (tmp_path / "knees").mkdir()
    for page in (README, (ROOT / "docs" / "first-report.md").read_text(encoding="utf-8")):
        (line,) = set(re.findall(r"`(\. [^`]*activate)`", page))
        assert r"`.venv\Scripts\activate`" in page
        words = ["sh", "-c", f"{line} && cd knees && examtally --version"]
        ran = subprocess.run(words, cwd=tmp_path, env={"PATH": "/usr/bin:/bin"}, capture_output=True, check=False)
        assert ran.stdout == b"found\n", page[:40]


def test_readme_and_make_name_the_same_room_on_disk() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    (said,) = set(re.findall(r"a minute or two and up to [\d.]+ GB of disk, once", makefile))
    assert said in README
    assert set(re.findall(r"[\d.]+ GB of disk", README)) == set(re.findall(r"[\d.]+ GB of disk", makefile))
