"""Break the package in each way of `mutants.py` and count the breakages that the tests notice: `make mutate`.

The breakage is made in a copy of the package, which stands before the real one on the path; the tree is left alone.
Every processor has a copy of its own, compiled once: Python compiles anew what is no longer as it was then.
The tests are first run on the copy as it is: a test that fails there could not tell anything.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from compileall import compile_dir
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from py_compile import PycInvalidationMode
from queue import SimpleQueue
from typing import Any

from mutants import MUTANTS, Mutant

ROOT = Path(__file__).resolve().parents[2]
BESIDE = ("schemas", "reports", "synthetic", "docs")  # what the package reads beside its source
ENOUGH = 0.95
PROCESSORS = os.cpu_count() or 1
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}


def _copy(into: Path) -> Path:
    shutil.copytree(ROOT / "pipeline", into / "pipeline", ignore=shutil.ignore_patterns("__pycache__"))
    for name in BESIDE:
        (into / name).symlink_to(ROOT / name, target_is_directory=True)
    compile_dir(into / "pipeline", quiet=1, invalidation_mode=PycInvalidationMode.CHECKED_HASH)
    return into / "pipeline"


class Copies:
    """As many copies of the package as there are processors; each works on one thing at a time."""

    def __init__(self, folder: Path) -> None:
        self._free: SimpleQueue[Path] = SimpleQueue()
        for number in range(PROCESSORS):
            self._free.put(_copy(folder / str(number)))

    def each(self, work: Callable[[Path, Any], bool], things: Sequence[Any]) -> Iterator[bool]:
        """What `work` gives for a copy and each thing, in the order of the things."""

        def one(thing: Any) -> bool:
            source = self._free.get()
            try:
                return work(source, thing)
            finally:
                self._free.put(source)

        with ThreadPoolExecutor(PROCESSORS) as pool:
            yield from pool.map(one, things)


def _passes(source: Path, tests: str) -> bool:
    """Whether the tests pass; 1 is pytest's code for failed tests, anything else is a fault of the run."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests.split()]
    command += ["-m", "not study and not benchmark_ratio"]
    path = {"PYTHONPATH": str(source)}
    done = subprocess.run(
        command, cwd=ROOT, env=os.environ | ONE_THREAD | path, capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1, 2):
        raise SystemExit(f"{tests}: pytest ended with {done.returncode}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.returncode == 0


def _is_killed(source: Path, mutant: Mutant) -> bool:
    path = source / "examtally" / mutant.file
    text = path.read_text(encoding="utf-8")
    if text.count(mutant.old) != 1:
        raise SystemExit(f"{mutant.file}: {mutant.old.strip()!r} is not there once; mend the list")
    path.write_text(text.replace(mutant.old, mutant.new), encoding="utf-8")
    try:
        return not _passes(source, mutant.tests)
    finally:
        path.write_text(text, encoding="utf-8")


def main(words: list[str]) -> int:
    """Run the mutants whose file or text holds one of `words`, all without any; 0 where enough are killed."""
    chosen = [one for one in MUTANTS if not words or any(word in f"{one.file} {one.old}" for word in words)]
    if not chosen:
        raise SystemExit("no listed breakage has these words; name a file of the package, or nothing for all")
    with tempfile.TemporaryDirectory() as folder:
        copies = Copies(Path(folder))
        sound = list(dict.fromkeys(one.tests for one in chosen))
        for tests, passes in zip(sound, copies.each(_passes, sound), strict=True):
            if not passes:
                raise SystemExit(f"{tests}: fails without any breakage; mend that first")
        killed = 0
        for number, (one, is_killed) in enumerate(zip(chosen, copies.each(_is_killed, chosen), strict=True), 1):
            killed += is_killed
            said = "killed  " if is_killed else "SURVIVED"
            print(f"{number:3}/{len(chosen)} {said} {one.file}: {one.old.strip()!r} -> {one.new.strip()!r}", flush=True)
    print(
        f"{killed} of {len(chosen)} breakages were noticed ({killed / len(chosen):.0%}; at least {ENOUGH:.0%} must be)"
    )
    return 0 if killed >= ENOUGH * len(chosen) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
