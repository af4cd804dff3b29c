"""Break the package in each way of `mutants.py` and count the breakages that the tests notice: `make mutate`.

The breakage is made in a copy of the package, which stands before the real one on the path; the tree is left alone.
The tests are first run on the copy as it is: a test that fails there could not tell anything.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from mutants import MUTANTS, Mutant

ROOT = Path(__file__).resolve().parents[2]
BESIDE = ("schemas", "reports", "synthetic", "docs")  # what the package reads beside its source
ENOUGH = 0.95
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}


def _copy(into: Path) -> Path:
    shutil.copytree(ROOT / "pipeline", into / "pipeline", ignore=shutil.ignore_patterns("__pycache__"))
    for name in BESIDE:
        (into / name).symlink_to(ROOT / name, target_is_directory=True)
    return into / "pipeline"


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


def _is_killed(mutant: Mutant, source: Path) -> bool:
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
        source = _copy(Path(folder))
        for tests in dict.fromkeys(one.tests for one in chosen):
            if not _passes(source, tests):
                raise SystemExit(f"{tests}: fails without any breakage; mend that first")
        killed = 0
        for number, one in enumerate(chosen, 1):
            is_killed = _is_killed(one, source)
            killed += is_killed
            said = "killed  " if is_killed else "SURVIVED"
            print(f"{number:3}/{len(chosen)} {said} {one.file}: {one.old.strip()!r} -> {one.new.strip()!r}", flush=True)
    print(
        f"{killed} of {len(chosen)} breakages were noticed ({killed / len(chosen):.0%}; at least {ENOUGH:.0%} must be)"
    )
    return 0 if killed >= ENOUGH * len(chosen) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
