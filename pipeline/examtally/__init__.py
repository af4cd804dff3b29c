"""examtally: how accurate is the physical examination of the knee in our own hands?

    import examtally as et

    with et.open_registry("registry.duckdb") as registry:
        results = et.analyze(registry)
    results.accuracy                  # a Polars frame, as all tables are
    results.plot.forest("acl_tear")   # matplotlib axes
    et.report(results, "report")      # the audit, one page

Names are loaded when they are first used, so that importing the package costs nothing. docs/python.md lists them.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from examtally.contracts.contract import load_contract
    from examtally.contracts.protocol.protocol import load_protocol
    from examtally.contracts.study.study import load_study
    from examtally.errors import ExamtallyError
    from examtally.ingestion import check, ingest
    from examtally.registry import open_registry
    from examtally.registry.verifying import verify
    from examtally.reporting.report import release, report
    from examtally.results import Results, analyze, read_results
    from examtally.studies import StudyResults, read_study, reproduce
    from examtally.studies import run as study
    from examtally.studies import write_bundle as bundle
    from examtally.studies.checking import check_study
    from examtally.studies.locking import amend, lock
    from examtally.studies.planning import plan
    from examtally.synthesis import synthesize

    __version__: str

__all__ = [
    "ExamtallyError",
    "Results",
    "StudyResults",
    "__version__",
    "amend",
    "analyze",
    "bundle",
    "check",
    "check_study",
    "ingest",
    "load_contract",
    "load_protocol",
    "load_study",
    "lock",
    "open_registry",
    "plan",
    "read_results",
    "read_study",
    "release",
    "report",
    "reproduce",
    "study",
    "synthesize",
    "verify",
]

_HOMES = {
    "ExamtallyError": "examtally.errors",
    "Results": "examtally.results",
    "StudyResults": "examtally.studies",
    "amend": "examtally.studies.locking",
    "analyze": "examtally.results",
    "bundle": "examtally.studies:write_bundle",
    "check": "examtally.ingestion",
    "check_study": "examtally.studies.checking",
    "ingest": "examtally.ingestion",
    "load_contract": "examtally.contracts.contract",
    "load_protocol": "examtally.contracts.protocol.protocol",
    "load_study": "examtally.contracts.study.study",
    "lock": "examtally.studies.locking",
    "open_registry": "examtally.registry",
    "plan": "examtally.studies.planning",
    "read_results": "examtally.results",
    "read_study": "examtally.studies",
    "release": "examtally.reporting.report",
    "report": "examtally.reporting.report",
    "reproduce": "examtally.studies",
    "study": "examtally.studies:run",
    "synthesize": "examtally.synthesis",
    "verify": "examtally.registry.verifying",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return version("examtally")
    if name in _HOMES:
        module, _, attribute = _HOMES[name].partition(":")
        return getattr(import_module(module), attribute or name)
    raise AttributeError(f"module 'examtally' has no attribute '{name}'; it has {', '.join(__all__)}")


def __dir__() -> list[str]:
    return sorted(__all__)
