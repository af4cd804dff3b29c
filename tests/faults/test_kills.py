"""`kill -9` at random moments of every writing command: a sound registry, whole files or none, and a run that mends."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from forked import Child, preload_all
from writing_commands import COMMANDS, Kept, Place

from examtally.registry.verifying import verify

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX are sent")

MANY = 10
SAYS_NO = (1, 2, 3, 8, 9, 11)  # exit codes by which a command says that what it would write is there already


def _call(place: Place) -> None:
    run = place.begin()
    print("begun", flush=True)
    os._exit(run())


def _killed_after(place: Place, seconds: float | None = None) -> tuple[bool, float]:
    """Run the command in a process of its own and kill it after so many seconds, if it runs then.

    Returns whether it was killed and how long it ran.
    """
    child = Child(_call, place)
    assert child.stdout.readline() == "begun\n"
    begun = time.perf_counter()
    if seconds is not None:
        time.sleep(seconds)
        child.kill()
    _, errors = child.communicate()
    assert child.returncode in (0, -9), errors
    return child.returncode != 0, time.perf_counter() - begun


def _is_sound(place: Place, before: Kept, whole: Kept) -> None:
    """Everything is as it was or as it is to be; what is written at once is all there or not at all."""
    assert verify(place.registry).faults == ()
    after = place.kept()
    assert after.records in (before.records, whole.records)
    for name, content in after.files.items():
        assert content in (before.files.get(name), whole.files.get(name)), name
    if place.command.whole:
        assert after.files in (before.files, whole.files, {})


def _tried(name: str, moments: int, clinic: Path, folder: Path) -> tuple[int, int, int]:
    """Kill it so often; return how often it was killed, how often something was stored by then, and how often not."""
    command = COMMANDS[name]
    place = Place.of(clinic, folder / "whole", command)
    was_killed, took = _killed_after(place)
    assert not was_killed
    whole = place.kept()
    draw = np.random.default_rng([len(name), moments])
    killed = done = changed = 0
    while killed < moments and done < max(moments, 4):
        place = Place.of(clinic, folder / f"{killed}-{done}", command)
        before = place.kept()
        if not _killed_after(place, float(draw.uniform(0, took)))[0]:
            done += 1
            took *= 0.8
            continue
        killed += 1
        _is_sound(place, before, whole)
        is_there = place.kept() != before
        changed += is_there
        code = place.begin()()
        assert code == 0 or (command.once and is_there and code in SAYS_NO), code
        assert command.may_change_records or place.kept().files == whole.files
        assert place.left_over() == []
        assert verify(place.registry).faults == ()
    return killed, changed, done


@pytest.mark.study
@pytest.mark.parametrize("command", COMMANDS)
def test_killed_at_many_moments(
    command: str, clinic_of_every_command: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    preload_all()
    killed, changed, done = _tried(command, MANY, clinic_of_every_command, tmp_path)
    with capsys.disabled():
        print(f"{command}: killed {killed} times, {changed} with something stored; done {done} times before")
    assert killed >= MANY // 2
