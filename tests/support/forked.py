"""Children to be killed: processes forked from a server that has imported the package, each made in a moment."""

from __future__ import annotations

import os
import pkgutil
import signal
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

import examtally

_CONTEXT = get_context("forkserver")
_CONTEXT.set_forkserver_preload(
    ["examtally.cli.app", "examtally.ingestion", "examtally.registry.undo", "examtally.registry.withdrawal"]
)


class Child:
    """A function called in a process of its own; what it prints is read here, as that of any program."""

    def __init__(self, function: Callable[..., None], *arguments: Any) -> None:
        out, child_out = _CONTEXT.Pipe(duplex=False)
        errors, child_errors = _CONTEXT.Pipe(duplex=False)
        self._process = _CONTEXT.Process(target=_run, args=(child_out, child_errors, function, arguments))
        self._process.start()
        child_out.close()
        child_errors.close()
        self.stdout, self.stderr = (os.fdopen(os.dup(end.fileno()), encoding="utf-8") for end in (out, errors))

    def kill(self) -> None:
        """Kill it; no harm where it has ended."""
        self._process.kill()

    def communicate(self) -> tuple[str, str]:
        """Wait for its end; return what else it printed, and its errors."""
        with self.stdout, self.stderr:
            printed, errors = self.stdout.read(), self.stderr.read()
        self._process.join()
        return printed, errors

    @property
    def returncode(self) -> int | None:
        """Its exit code, less than zero for the signal that ended it; None while it runs."""
        return self._process.exitcode


def die() -> None:
    """End this process as `kill -9` does."""
    os.kill(os.getpid(), signal.SIGKILL)


def limit_file_size(size: int) -> None:
    """Let no file of this process grow beyond so many bytes, as on a full disk; 0 for no limit."""
    import resource

    if size:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def _run(out: Connection, errors: Connection, function: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    os.dup2(out.fileno(), 1)
    os.dup2(errors.fileno(), 2)
    function(*arguments)


def preload_all() -> None:
    """Let the server import the whole package, where it has not begun; else children do so, each for itself."""
    found = pkgutil.walk_packages(examtally.__path__, "examtally.")
    _CONTEXT.set_forkserver_preload([one.name for one in found if not one.name.endswith("__main__")])
