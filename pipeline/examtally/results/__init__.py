"""From an open registry to a results folder, and back from the folder to frames."""

from examtally.results.analysis import analyze
from examtally.results.folder import read_results
from examtally.results.results import Provenance, Results

__all__ = ["Provenance", "Results", "analyze", "read_results"]
