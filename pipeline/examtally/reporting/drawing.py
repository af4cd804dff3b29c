"""Codes that stand for examiners in one report, drawn anew for it."""

from __future__ import annotations

import random
from collections.abc import Sequence

_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
_DIGITS = "23456789"


def fresh_codes(examiners: Sequence[str], source: random.Random | None = None) -> dict[str, str]:
    """Give each examiner a code of a letter and a digit that nothing leads back from; longer ones for many examiners.

    The draw is from the system's own randomness, so that nobody can repeat it; `source` makes a test repeatable.
    """
    draw = source or random.SystemRandom()
    places = [_LETTERS, _DIGITS]
    while len(examiners) > _room(places) // 2:
        places.append(_DIGITS)
    codes: set[str] = set()
    while len(codes) < len(examiners):
        codes.add("".join(draw.choice(place) for place in places))
    shuffled = sorted(codes)
    draw.shuffle(shuffled)
    return dict(zip(examiners, shuffled, strict=True))


def _room(places: Sequence[str]) -> int:
    room = 1
    for place in places:
        room *= len(place)
    return room
