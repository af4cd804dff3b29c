"""The examples in the docstrings say what the code does."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import examtally

PACKAGE = Path(examtally.__file__).parent
MODULES = [
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
    for path in sorted(PACKAGE.rglob("*.py"))
    if ">>> " in path.read_text(encoding="utf-8")
]


def test_there_are_examples() -> None:
    assert "examtally.analytics.diagnostic_accuracy.proportions" in MODULES


@pytest.mark.parametrize("module", MODULES)
def test_examples(module: str) -> None:
    outcome = doctest.testmod(importlib.import_module(module))
    assert outcome.attempted > 0
    assert outcome.failed == 0
