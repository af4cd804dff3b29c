"""From an open registry to a results folder, and back from the folder to frames.

`analyze` is loaded when it is first used: whoever reads results needs none of what makes them.
"""

from typing import TYPE_CHECKING, Any

from examtally.results.folder import read_results
from examtally.results.results import Provenance, Results

if TYPE_CHECKING:
    from examtally.results.analysis import analyze

__all__ = ["Provenance", "Results", "analyze", "read_results"]


def __getattr__(name: str) -> Any:
    if name == "analyze":
        from examtally.results.analysis import analyze

        return analyze
    raise AttributeError(f"module 'examtally.results' has no attribute '{name}'")
