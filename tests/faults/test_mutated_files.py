"""Whatever is in a file: an exit code and a plain word, the registry as before or with a whole batch, no line lost."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import mutated
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

APART, TOGETHER, HERE, STUDY = 10, 10, 20, 10_000
QUICK = ("own", "packed", "columns", "own", "long", "wide", "own", "packed", "long", "own")
KINDS = (*QUICK, "register", "long packed", *QUICK, "register", "long in columns", *QUICK, "book")
FEW = ("own", "book", "long in columns")  # of which `make test` takes the sound input; `make study` takes all
# what broke it once: kind of input, seed of the damage, what was done
NAMED: tuple[tuple[str, int, str], ...] = (
    ("long", 81, "draft"),  # a file without a line
    ("packed", 8, "draft"),  # gzip whose packing is damaged
    ("own", 2063, "draft"),  # a number too large to be one
    ("packed", 3315, "draft"),  # a name of a column longer than any cell may be
)

CHILD = """
import io, json, sys, time
from contextlib import redirect_stderr, redirect_stdout
from examtally.cli.app import main
from examtally.ingestion import batch
batch.examine = lambda *_: ()
for line in sys.stdin:
    out, errors, start = io.StringIO(), io.StringIO(), time.process_time()
    with redirect_stdout(out), redirect_stderr(errors):
        code = main(json.loads(line))
    print(json.dumps([code, out.getvalue(), errors.getvalue(), time.process_time() - start]), flush=True)
"""


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, mutated.Files], Path]:
    """Sound inputs of every kind, and a registry that holds some of their lines."""
    folder = tmp_path_factory.mktemp("inputs")
    return mutated.make_inputs(folder), folder / "registry.duckdb"


def _case(inputs: tuple[dict[str, mutated.Files], Path], folder: Path, seed: int) -> mutated.Case:
    return mutated.make_case(*inputs, folder / f"case-{seed}", KINDS[seed % len(KINDS)], seed)


def _try(inputs: tuple[dict[str, mutated.Files], Path], folder: Path, seed: int) -> tuple[int, bool]:
    case = _case(inputs, folder, seed)
    outcome = mutated.run_here(case)
    is_stored = mutated.check_outcome(case, outcome, inputs[1], thorough=seed % 20 == 0)
    shutil.rmtree(case.folder)
    case.registry.unlink()
    return outcome.code, is_stored


@pytest.mark.parametrize(
    "kind",
    [pytest.param(kind, marks=[] if kind in FEW else pytest.mark.study) for kind in sorted(set(KINDS))],
)
def test_the_sound_input_goes_in(
    inputs: tuple[dict[str, mutated.Files], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    monkeypatch.setattr(mutated, "damage", lambda _name, content, _chance: content)
    case = mutated.make_case(*inputs, tmp_path / "case", kind, 1, "ingest")
    outcome = mutated.run_here(case)
    assert outcome.code == 0, outcome.errors
    assert mutated.check_outcome(case, outcome, inputs[1], thorough=True)


@pytest.mark.parametrize(("kind", "seed", "way"), NAMED)
def test_what_broke_it_once(
    inputs: tuple[dict[str, mutated.Files], Path], tmp_path: Path, kind: str, seed: int, way: str
) -> None:
    case = mutated.make_case(*inputs, tmp_path / "case", kind, seed, way)
    mutated.check_outcome(case, mutated.run_here(case), inputs[1])


def test_damaged_files_in_one_process(inputs: tuple[dict[str, mutated.Files], Path], tmp_path: Path) -> None:
    found = Counter(_try(inputs, tmp_path, seed) for seed in range(HERE))
    assert found[0, True] > HERE / 10, found  # some damage is harmless, or the test would look at refusals only
    assert found[3, False] > HERE / 10, found


def test_damaged_files_through_the_command_line(inputs: tuple[dict[str, mutated.Files], Path], tmp_path: Path) -> None:
    """Processes that take several command lines one after the other: a fault must not spoil the next."""
    for first in range(HERE, HERE + APART, TOGETHER):
        cases = [_case(inputs, tmp_path, seed) for seed in range(first, first + TOGETHER)]
        said = "".join(json.dumps(case.command) + "\n" for case in cases)
        done = subprocess.run(
            [sys.executable, "-c", CHILD], input=said, capture_output=True, text=True, timeout=mutated.HANGS, check=True
        )
        assert done.stderr == ""
        for case, line in zip(cases, done.stdout.splitlines(), strict=True):
            mutated.check_outcome(case, mutated.Outcome(*json.loads(line)), inputs[1])


EDITS = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 30), st.binary(max_size=12) | st.text(max_size=8)), max_size=4
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(edits=EDITS)
def test_any_edit_of_a_file(
    inputs: tuple[dict[str, mutated.Files], Path],
    tmp_path_factory: pytest.TempPathFactory,
    edits: list[tuple[float, int, bytes | str]],
) -> None:
    """Pieces of a file are replaced by others; the smallest edit that breaks it is what is shown."""
    folder = tmp_path_factory.mktemp("edited")
    content = inputs[0]["own"]["exams.csv"]
    for share, size, new in edits:
        at = int(share * len(content))
        piece = new if isinstance(new, bytes) else new.encode(errors="surrogatepass")
        content = content[:at] + piece + content[at + size :]
    target = Path(shutil.copy(inputs[1], folder / "registry.duckdb"))
    (folder / "files").mkdir()
    (folder / "files" / "exams.csv").write_bytes(content)
    case = mutated.Case(
        "edited", folder / "files", target, ("ingest", str(folder / "files"), "--registry", str(target), "--json")
    )
    mutated.check_outcome(case, mutated.run_here(case), inputs[1])


@pytest.mark.study
def test_ten_thousand_damaged_files_in_one_process(
    inputs: tuple[dict[str, mutated.Files], Path], tmp_path: Path
) -> None:
    start = time.perf_counter()
    found: Counter[tuple[int, bool]] = Counter()
    for seed in range(HERE + APART, HERE + APART + STUDY):
        found[_try(inputs, tmp_path, seed)] += 1
        if seed % 1000 == 0:
            print(f"{seed} files: {time.perf_counter() - start:.0f} s", flush=True)
    print(f"{STUDY} damaged files, exit code and whether stored: {dict(found)}; {time.perf_counter() - start:.0f} s")
