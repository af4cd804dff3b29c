"""How much memory the process may use, and how many threads its database."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from examtally import memory
from examtally.errors import ContractError
from examtally.ingestion import check, ingest
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


def test_a_small_batch_takes_one_thread_unless_the_registry_is_large(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("examtally.registry.workspace._SMALL", 100_000)  # less than a registry has when it is made
    (tmp_path / "records").mkdir()
    (tmp_path / "records" / "examiners.csv").write_text("examiner_id,role\nEM-1,fellow\n")
    sizes, suit = [], Workspace.suit

    def noted(workspace: Workspace, size: int) -> None:
        workspace.con.execute("set threads = 3")
        suit(workspace, size)
        sizes.append((size, *workspace.con.sql("select current_setting('threads')").fetchall()[0]))

    monkeypatch.setattr(Workspace, "suit", noted)
    registry = tmp_path / "registry.duckdb"
    ingest([tmp_path / "records"], registry)
    size, held = len("examiner_id,role\nEM-1,fellow\n"), registry.stat().st_size
    ingest([tmp_path / "records"], registry)
    check([tmp_path / "records"])
    assert sizes == [(size, 1), (size + held, 3), (size, 1)]
