"""A notebook without a kernel: its code cells run in order in one namespace; what they show becomes their output.

As in a notebook, that is what they print, the value of a last line that is an expression, and the figures they drew.

python tests/support/notebook.py docs/notebook/study.ipynb    # run the cells and store what they show
"""

from __future__ import annotations

import ast
import contextlib
import io
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib import pyplot

from examtally.plots.look import style


def read_notebook(path: Path) -> dict[str, Any]:
    """Read a notebook as plain data."""
    content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return content


def executed(notebook: dict[str, Any]) -> dict[str, Any]:
    """Return the notebook with fresh outputs; its cells run in an empty folder of their own."""
    space: dict[str, Any] = {"__name__": "__notebook__"}
    cells, number = [], 0
    mpl.use("agg")
    pyplot.close("all")  # figures that somebody else left open are not the notebook's
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        for cell in notebook["cells"]:
            if cell["cell_type"] == "code":
                number += 1
                shown = _run("".join(cell["source"]), f"cell {number}", space, number)
                cell = cell | {"execution_count": number, "outputs": shown}
            cells.append(cell)
    return notebook | {"cells": cells}


def write_notebook(path: Path, notebook: dict[str, Any]) -> None:
    """Write a notebook as JSON of the usual form."""
    path.write_text(f"{json.dumps(notebook, indent=1, ensure_ascii=False)}\n", encoding="utf-8")


def _run(source: str, name: str, space: dict[str, Any], number: int) -> list[dict[str, Any]]:
    """Run one cell and return its outputs."""
    body = ast.parse(source, name).body
    last = body.pop() if isinstance(body[-1], ast.Expr) else None
    printed, value = io.StringIO(), None
    with contextlib.redirect_stdout(printed):
        exec(compile(ast.Module(body, []), name, "exec"), space)
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), name, "eval"), space)
    return [*_stream(printed.getvalue().strip()), *_value(value, number), *_figures()]


def _stream(text: str) -> list[dict[str, Any]]:
    return [{"name": "stdout", "output_type": "stream", "text": _lines(f"{text}\n")}] if text else []


def _value(value: object, number: int) -> list[dict[str, Any]]:
    """The value of a cell that shows itself as HTML."""
    if not hasattr(value, "_repr_html_"):
        return []
    data = {"text/html": _lines(value._repr_html_()), "text/plain": [type(value).__name__]}
    return [{"data": data, "execution_count": number, "metadata": {}, "output_type": "execute_result"}]


def _figures() -> list[dict[str, Any]]:
    """Every figure that was drawn, as SVG of the same bytes each time."""
    shown = []
    for number in pyplot.get_fignums():
        image = io.StringIO()
        with style():
            pyplot.figure(number).savefig(image, format="svg", metadata={"Date": None, "Creator": None})
        data = {"image/svg+xml": _lines(image.getvalue()), "text/plain": ["<Figure>"]}
        shown.append({"data": data, "metadata": {}, "output_type": "display_data"})
    pyplot.close("all")
    return shown


def _lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)


if __name__ == "__main__":
    for name in sys.argv[1:]:
        write_notebook(Path(name), executed(read_notebook(Path(name))))
