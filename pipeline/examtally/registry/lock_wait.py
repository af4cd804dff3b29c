"""How long to wait for a registry that another program holds."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from examtally.errors import RegistryLocked

_PAUSE = 0.1


@dataclass(frozen=True)
class LockWait:
    """Try again for `seconds`; `say` is told once, in one line, whom the program waits for."""

    seconds: float = 0
    say: Callable[[str], object] | None = None

    def wait_for(self, attempt: Callable[[], None]) -> None:
        """Call `attempt` until it no longer raises RegistryLocked, or raise that when the time is over."""
        end = time.monotonic() + self.seconds
        told = False
        while True:
            try:
                return attempt()
            except RegistryLocked as fault:
                if time.monotonic() >= end:
                    raise
                if self.say is not None and not told:
                    self.say(f"waiting up to {self.seconds:g} s: {str(fault).split(';', 1)[0]}")
                    told = True
                time.sleep(_PAUSE)
