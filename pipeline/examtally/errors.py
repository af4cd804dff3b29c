"""The exceptions a user can meet. Each message is one plain line: what, where, the legal set, how to mend."""

from __future__ import annotations


class ExamtallyError(Exception):
    """Base of everything this package raises on purpose; the command line prints it and exits with `exit_code`."""

    exit_code = 1
    place = ""
    """The path inside a declared file, where the fault is of one."""


class ContractError(ExamtallyError):
    """A schema, catalogue or scenario file is wrong: names the file, the path inside it and the mend."""

    exit_code = 2


class ProtocolError(ExamtallyError):
    """A protocol asks for something that is not declared or not legal."""

    exit_code = 2


class MappingError(ExamtallyError):
    """A mapping file asks for something that is not declared or not legal: file, line, path inside it and mend."""

    exit_code = 2


class FileFault(ExamtallyError):
    """Record files that cannot be read as what they claim to be; one line per fault, nothing stored."""

    exit_code = 3

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


class RegistryError(ExamtallyError):
    """The registry file is missing, damaged, of another version or not a registry."""

    exit_code = 4


class RegistryLocked(RegistryError):
    """Another process holds the registry."""

    exit_code = 5


class ReconciliationError(RegistryError):
    """The lines of a batch do not add up; nothing was stored."""

    exit_code = 6


class ResultsError(ExamtallyError):
    """A results folder is missing, incomplete or cannot be written."""

    exit_code = 7


class ReportError(ExamtallyError):
    """A report could not be made: names the report and the cell."""

    exit_code = 8


class KeyFileError(ExamtallyError):
    """A site key is missing, can be read by others, lies inside a repository or is no key."""

    exit_code = 9


class DisclosureError(ExamtallyError):
    """A release would give back what it hides, or is not whole; nothing was written."""

    exit_code = 10


class StudyError(ExamtallyError):
    """A study cannot be locked, amended or run as asked: says what is in the way and what to do."""

    exit_code = 11


class EngineError(ExamtallyError):
    """Another engine than DuckDB is missing, failed, or lacks something: says what, and what to do."""

    exit_code = 12
