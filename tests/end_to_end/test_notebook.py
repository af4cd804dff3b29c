"""The example notebook: small, valid, and its stored outputs are what its cells print today."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from notebook import executed, read_notebook

NOTEBOOK = Path(__file__).resolve().parents[2] / "docs" / "notebook" / "study.ipynb"


@pytest.mark.study  # half a minute
def test_its_cells_print_what_is_stored() -> None:
    stored = read_notebook(NOTEBOOK)
    with pl.Config():
        fresh = executed(stored)
    for was, is_now in zip(stored["cells"], fresh["cells"], strict=True):
        assert is_now == was


def test_it_is_small_and_names_no_machine() -> None:
    text = NOTEBOOK.read_text(encoding="utf-8")
    assert len(text.encode()) < 100_000
    assert not any(word in text for word in ("/tmp", "/home", "/work", "Traceback"))


def test_it_has_the_form_that_readers_of_notebooks_expect() -> None:
    stored = read_notebook(NOTEBOOK)
    assert (stored["nbformat"], stored["nbformat_minor"]) == (4, 5)
    assert len({cell["id"] for cell in stored["cells"]}) == len(stored["cells"])
    for cell in stored["cells"]:
        wanted = {"cell_type", "id", "metadata", "source"}
        assert set(cell) == wanted | ({"execution_count", "outputs"} if cell["cell_type"] == "code" else set())
