"""How much memory the process may use."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from examtally import memory
from examtally.errors import ContractError
from examtally.registry.workspace import Workspace


@pytest.fixture(autouse=True)
def told() -> Iterator[None]:
    token = memory._BUDGET.set(0)
    yield
    memory._BUDGET.reset(token)


@pytest.mark.parametrize(("text", "size"), [("8GB", 8e9), ("512 MiB", 2**29), ("1.5gb", 1.5e9), (" 2GiB ", 2**31)])
def test_the_budget_is_what_is_said(text: str, size: float) -> None:
    memory.set_budget(text)
    memory.set_budget(None)
    assert memory.budget() == size
    assert memory.fits(int(size // 8))
    assert not memory.fits(int(size // 8) + 1)


@pytest.mark.parametrize("text", ["8", "much", "-3GB", "100MB", "8TB", "1e9GB", "999999999999999GB"])
def test_what_is_no_amount_is_refused(text: str) -> None:
    with pytest.raises(ContractError, match="--memory: is no amount of memory; say at least 512MB, as in 8GB"):
        memory.set_budget(text)


def test_half_of_the_machine_without_it_and_of_the_container_where_that_is_less(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(memory, "_machine", lambda: 24 * 2**30)
    assert memory.budget() == 12 * 2**30


def test_the_database_keeps_to_half_of_it() -> None:
    memory.set_budget("2GiB")
    with Workspace() as workspace:
        assert workspace.con.sql("select current_setting('memory_limit')").fetchall() == [("1.0 GiB",)]
