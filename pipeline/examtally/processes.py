"""Work done in other processes at the same time, and linear algebra kept to one thread in each.

Each process is started afresh: a forked one would lack the threads of Polars. Ctrl-C is for the first process alone,
which ends the others.
"""

from __future__ import annotations

import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager, suppress
from functools import cache
from multiprocessing import get_context
from multiprocessing.connection import Connection
from types import FrameType
from typing import Any, ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

from examtally.errors import ExamtallyError

P = ParamSpec("P")
T = TypeVar("T")
_AFRESH = get_context("spawn")
_WITH_LINEAR_ALGEBRA = ("numpy", "scipy.linalg")  # each brings a library of its own


def processes(number: int) -> ProcessPoolExecutor:
    """Up to `number` processes, a context manager that waits for them."""
    return ProcessPoolExecutor(number, _AFRESH, _leave_keys)


def one_thread() -> AbstractContextManager[object]:
    """Hold linear algebra to one thread within a `with` block, so that sums run in one order on every machine.

    Small products take longer when they are shared out. A library loaded within the block is not held.
    """
    libraries = _libraries(*(name in sys.modules for name in _WITH_LINEAR_ALGEBRA))
    limited: AbstractContextManager[object] = libraries.limit(limits=1, user_api="blas")
    return limited


@cache
def _libraries(*_loaded: bool) -> ThreadpoolController:
    """The libraries of linear algebra in this process; to look for them takes longer than many a model."""
    return ThreadpoolController()


class Beside:
    """One process beside this one, which does one call after the other; a context manager.

    Where the block fails, the process is ended at once.
    """

    def __init__(self) -> None:
        self._here, there = _AFRESH.Pipe()
        self._process = _AFRESH.Process(target=_serve, args=(there,), daemon=True)
        with _unheard():
            self._process.start()
        there.close()
        self._line = ThreadPoolExecutor(1)  # a call is sent once the one before it is answered

    def begin(self, work: Callable[P, T], /, *args: P.args, **options: P.kwargs) -> Callable[[], T]:
        """Begin `work`, a function of a module, with arguments that can be sent; what is returned waits for the result.

        It raises what the call raised, or ExamtallyError where the process itself ended, as when memory is out.
        """
        return self._line.submit(self._ask, work, args, options).result

    def _ask(self, *call: Any) -> Any:
        try:
            self._here.send(call)
            result, fault = self._here.recv()
        except (EOFError, OSError):
            raise ExamtallyError(
                "a second process of this command was ended from outside, perhaps for want of memory; run it again"
            ) from None
        if fault is not None:
            raise fault
        return result

    def __enter__(self) -> Beside:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self._process.terminate()
        self._line.shutdown(cancel_futures=kind is not None)
        self._here.close()
        self._process.join()


@contextmanager
def _unheard() -> Iterator[None]:
    """Ctrl-C is not heard, nor by a process that starts meanwhile; only the main thread of a program is told of it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _serve(there: Connection) -> None:
    """Answer calls until nobody asks any more."""
    _leave_keys()
    signal.signal(signal.SIGTERM, _leave)
    with suppress(EOFError, OSError):
        while True:
            work, args, options = there.recv()
            answer: tuple[Any, Exception | None]
            try:
                answer = work(*args, **options), None
            except Exception as fault:
                fault.add_note(traceback.format_exc())
                answer = None, fault
            there.send(answer)


def _leave_keys() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _leave(_number: int, _frame: FrameType | None) -> None:
    """End as from an error, so that what is under way is cleared."""
    sys.exit(1)
