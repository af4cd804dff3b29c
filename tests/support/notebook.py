"""A notebook without a kernel: its code cells run in order in one namespace, what they print becomes their output.

python tests/support/notebook.py docs/notebook/study.ipynb    # run the cells and store what they print
"""

from __future__ import annotations

import contextlib
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

from examtally.reporting.engine.executor import Cell, Report, execute


def read_notebook(path: Path) -> dict[str, Any]:
    """Read a notebook as plain data."""
    content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return content


def executed(notebook: dict[str, Any]) -> dict[str, Any]:
    """Return the notebook with fresh outputs; its cells run in an empty folder of their own."""
    space: dict[str, Any] = {"__name__": "__notebook__"}
    cells, number = [], 0
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        for cell in notebook["cells"]:
            if cell["cell_type"] == "code":
                number += 1
                printed = execute(Report("notebook", {}, (Cell(f"cell {number}", 1, "".join(cell["source"])),)), space)
                cell = cell | {"execution_count": number, "outputs": _stream(printed.strip())}
            cells.append(cell)
    return notebook | {"cells": cells}


def write_notebook(path: Path, notebook: dict[str, Any]) -> None:
    """Write a notebook as JSON of the usual form."""
    path.write_text(f"{json.dumps(notebook, indent=1, ensure_ascii=False)}\n", encoding="utf-8")


def _stream(text: str) -> list[dict[str, Any]]:
    lines = f"{text}\n".splitlines(keepends=True)
    return [{"name": "stdout", "output_type": "stream", "text": lines}] if text else []


if __name__ == "__main__":
    for name in sys.argv[1:]:
        write_notebook(Path(name), executed(read_notebook(Path(name))))
