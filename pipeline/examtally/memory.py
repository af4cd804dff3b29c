"""How much memory the process may use: half of the machine, or what the user says."""

from __future__ import annotations

import os
import re
import sys
from contextlib import suppress
from contextvars import ContextVar
from pathlib import Path

from examtally.errors import ContractError

_LEAST = 512 * 2**20
_UNITS = {"MB": 10**6, "GB": 10**9, "MIB": 2**20, "GIB": 2**30}
_CONTROL_GROUP = Path("/sys/fs/cgroup/memory.max")
_UNKNOWN_MACHINE = 4 * 2**30
_BUDGET: ContextVar[int] = ContextVar("bytes that the process may use", default=0)


def budget() -> int:
    """Bytes that this process may use: what `set_budget` was told, else half of the machine."""
    return _BUDGET.get() or max(_LEAST, _machine() // 2)


def set_budget(text: str | None) -> None:
    """Take the budget from text such as `8GB` or `512 MiB`; None leaves it. Raises ContractError for anything else.

    Half of it is for the database; draws that serve again are kept where they fit into an eighth.
    """
    if text is None:
        return
    found = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*([A-Za-z]+)\s*", text)
    size = float(found[1]) * _UNITS.get(found[2].upper(), 0) if found else 0
    if not _LEAST <= size < 2**60:
        raise ContractError("--memory: is no amount of memory; say at least 512MB, as in 8GB")
    _BUDGET.set(int(size))


def for_database() -> int:
    """Bytes that DuckDB may hold before it writes to its spill folder."""
    return budget() // 2


def fits(size: int) -> bool:
    """Whether something of so many bytes may be kept beside the work."""
    return size <= budget() // 8


def _machine() -> int:
    """Memory of the machine, or of the container where that is less."""
    sizes = [_physical()]
    with suppress(OSError, ValueError):  # no such group, or one without a limit
        sizes.append(int(_CONTROL_GROUP.read_text(encoding="ascii")))
    return min(sizes)


def _physical() -> int:
    if sys.platform == "win32":
        return _UNKNOWN_MACHINE
    return int(os.sysconf("SC_PAGE_SIZE")) * int(os.sysconf("SC_PHYS_PAGES"))
