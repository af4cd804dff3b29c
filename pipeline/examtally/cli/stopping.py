"""What Ctrl-C does: one line, exit code 130, and the truth about what was stored until then.

The keys are remembered as well as raised, since a database or a renderer that is stopped reports a fault of its own.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from itertools import chain
from pathlib import Path
from types import FrameType

from examtally.errors import ExamtallyError

Truth = Callable[[], str]
"""Looks again at what a command writes and says in one clause what has changed since the command began."""

_NAMED = 3  # files that are named in the line, others are counted


class _Keyboard:
    """Whether Ctrl-C was pressed since the command began, and how to tell what the command has stored."""

    def __init__(self) -> None:
        self.was_pressed = False
        self.truth: Truth = _stores_nothing

    def press(self, _number: int, _frame: FrameType | None) -> None:
        self.was_pressed = True
        raise KeyboardInterrupt

    def line(self) -> str:
        """The line that a person who pressed Ctrl-C reads."""
        return f"Stopped by Ctrl-C: {self.truth()}."


def _stores_nothing() -> str:
    return "nothing was stored"


_KEYBOARD: ContextVar[_Keyboard] = ContextVar("the keyboard of the command that runs")


@contextmanager
def listening() -> Iterator[_Keyboard]:
    """While it lasts Ctrl-C is remembered; only the main thread of a program can be told of it."""
    keyboard = _Keyboard()
    token = _KEYBOARD.set(keyboard)
    is_main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, keyboard.press) if is_main else None
    try:
        yield keyboard
    finally:
        if is_main:
            signal.signal(signal.SIGINT, before)
        _KEYBOARD.reset(token)


def hear_at_prompt() -> None:
    """Let Ctrl-C end a question at once: a library loaded since may go on reading after a signal (as Polars does)."""
    if hasattr(signal, "siginterrupt"):  # not on Windows
        signal.siginterrupt(signal.SIGINT, True)


def tell(truth: Truth) -> None:
    """Name what looks again at what this command writes, should Ctrl-C be pressed from now on."""
    keyboard = _KEYBOARD.get(None)
    if keyboard is not None:
        keyboard.truth = truth


def files_at(*places: Path) -> Truth:
    """The truth of a command that writes files to these places, each put in place when it is whole."""
    before = {path: state for place in places for path, state in _seen(place).items()}
    out, is_or_are = " and ".join(map(str, places)), "are as they were" if len(places) > 1 else "is as it was"

    def truth() -> str:
        now = {path: state for place in places for path, state in _seen(place).items()}
        new = sorted(path for path, state in now.items() if before.get(path) != state)
        if not new:
            return f"nothing was stored; {out} {is_or_are}"
        named = ", ".join(path.name for path in new[:_NAMED]) + (" …" if len(new) > _NAMED else "")
        noun = "file was" if len(new) == 1 else "files were"
        return f"{len(new)} {noun} already written to {out}, each whole ({named}); run it again for all of them"

    return truth


def whole_at(out: Path) -> Truth:
    """The truth of a command that puts a whole folder in place, and no other where there is one."""
    before = _seen(out)

    def truth() -> str:
        found = _seen(out)
        if found == before:
            return f"nothing was stored; {out} is as it was"
        return f"but it was done already; {out} is whole ({len(found)} file{'s' * (len(found) > 1)})"

    return truth


def unfinished_at(out: Path) -> Truth:
    """The truth of a command that writes file after file to `out`."""
    before = _seen(out)

    def truth() -> str:
        if _seen(out) == before:
            return f"nothing was stored; {out} is as it was"
        return f"what lies in {out} may be unfinished; run it again, or remove it"

    return truth


def entries_of(registry: Path) -> Truth:
    """The truth of a command that changes a registry, by the registry's own log: all of the change or none."""
    before = _entries(registry)

    def truth() -> str:
        after = _entries(registry)
        if before is None or after is None:
            return "the registry cannot be read just now; `examtally batches --log` shows whether the change is in it"
        if after <= before:
            return "nothing was stored; the registry is as it was"
        done = ", ".join(action for _, action in sorted(after - before))
        return f"but it was done already ({done}) and stands in the registry's log"

    return truth


def entries_and(registry: Path, written: Truth) -> Truth:
    """The truth of a command that enters what it writes in a registry's log first."""
    entered = entries_of(registry)
    return lambda: f"{written()}; in the registry, {entered()}"


def _seen(out: Path) -> dict[Path, tuple[int, int, int]]:
    """Files at `out`, as deep as commands write, with what tells a new one; those in the making are hidden."""
    states = {}
    for path in chain([out], out.glob("*"), out.glob("*/*")) if out.is_dir() else [out]:
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(out.parent).parts):
            state = path.stat()
            states[path] = (state.st_ino, state.st_mtime_ns, state.st_size)
    return states


def _entries(registry: Path) -> frozenset[tuple[int, str]] | None:
    """Number and action of every entry of the log; None where the registry cannot be read."""
    from examtally.registry.accounts import list_log

    if not registry.exists():
        return frozenset()
    try:
        return frozenset((entry.entry, entry.action) for entry in list_log(registry))
    except ExamtallyError:
        return None
