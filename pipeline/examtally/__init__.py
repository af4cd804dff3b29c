"""examtally: how accurate is the physical examination of the knee in our own hands?

    import examtally as et

    with et.open_registry("registry.duckdb") as registry:
        results = et.analyze(registry)
    results.accuracy    # a Polars frame; so are results.tallies, results.flow, …

Names are loaded when they are first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from examtally.contracts.contract import load_contract
    from examtally.contracts.protocol.protocol import load_protocol
    from examtally.ingestion import ingest
    from examtally.registry import open_registry
    from examtally.results import analyze, read_results
    from examtally.synthesis import synthesize

    __version__: str

__all__ = [
    "__version__",
    "analyze",
    "ingest",
    "load_contract",
    "load_protocol",
    "open_registry",
    "read_results",
    "synthesize",
]

_HOMES = {
    "analyze": "examtally.results",
    "ingest": "examtally.ingestion",
    "load_contract": "examtally.contracts.contract",
    "load_protocol": "examtally.contracts.protocol.protocol",
    "open_registry": "examtally.registry",
    "read_results": "examtally.results",
    "synthesize": "examtally.synthesis",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return version("examtally")
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'examtally' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted(__all__)
