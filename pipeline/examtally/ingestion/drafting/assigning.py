"""Which column of an export goes where: every place is given once, the likeliest column first."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from examtally.contracts.mapping.mapping import fold
from examtally.ingestion.drafting.column_inference import Guess, Guesser
from examtally.ingestion.drafting.profiling import Column

_FEW_ALIKE = 3
_BETWEEN = " _-.:/("
_EACH = {"maneuver": "findings", "item": "history", "impression": "impressions", "reference": "references"}
_ALONE = ("weight", "height", "compound", "version")


@dataclass(frozen=True)
class Placed:
    """A column and what it was taken for; `template` is its name with the names of `each` in braces."""

    column: Column
    guess: Guess

    @property
    def table(self) -> str:
        """The table it feeds."""
        return _EACH.get(self.guess.kind) or self.guess.target.partition(".")[0]

    @property
    def template(self) -> str:
        """The name with braces, such as `{maneuver} {side}`."""
        return _template(self.column.name, self.guess)

    def word(self, name: str) -> str:
        """What the column writes for a name of `each`."""
        start, end, _ = self.guess.spans[name]
        return self.column.name[start:end]


@dataclass(frozen=True)
class Assignment:
    """Where the columns of one export go."""

    fields: Mapping[str, tuple[Placed, ...]]
    groups: Mapping[str, tuple[Placed, ...]]
    alone: Mapping[str, Placed]
    ignored: tuple[Placed, ...]
    unknown: tuple[Column, ...]

    def field(self, name: str) -> Placed | None:
        """The column of `table.column`, the first where there is one a side."""
        return next(iter(self.fields.get(name, ())), None)


def assign(guesser: Guesser, columns: Sequence[Column]) -> Assignment:
    """Give every column the likeliest place that is still free."""
    open_guesses = sorted(
        ((guess, column) for column in columns for guess in guesser.guesses(column)),
        key=lambda pair: (-pair[0].score, pair[1].place),
    )
    done: dict[int, Placed] = {}
    taken: set[tuple[str, ...]] = set()
    for guess, column in open_guesses:
        key = _place(guess)
        if column.place in done or (key is not None and key in taken):
            continue
        done[column.place] = Placed(column, guess)
        if key is not None:
            taken.add(key)
    placed = _widened([done[column.place] for column in columns if column.place in done])
    return Assignment(
        fields=_by(placed, lambda one: one.guess.target if one.guess.kind == "field" else None),
        groups=_by(placed, lambda one: one.table if one.guess.kind in _EACH else None),
        alone={one.guess.kind: one for one in placed if one.guess.kind in _ALONE},
        ignored=tuple(one for one in placed if one.guess.kind == "ignore"),
        unknown=tuple(column for column in columns if column.place not in done),
    )


def _widened(placed: list[Placed]) -> list[Placed]:
    """Names that few others are built like: all but the side is the name of the maneuver or item."""
    named = [one for one in placed if one.guess.kind in ("maneuver", "item")]
    alike = Counter(fold(one.template) for one in named)
    heads = Counter(_around(one)[0] for one in named if alike[fold(one.template)] >= _FEW_ALIKE)
    tails = Counter(_around(one)[1] for one in named if alike[fold(one.template)] >= _FEW_ALIKE)
    return [
        replace(one, guess=replace(one.guess, spans=_wide(one, _around(one)[0] in heads, _around(one)[1] in tails)))
        if one in named and alike[fold(one.template)] < _FEW_ALIKE
        else one
        for one in placed
    ]


def _around(one: Placed) -> tuple[str, str]:
    """What stands before and after the name of the maneuver or item."""
    head, _, tail = one.template.partition(f"{{{one.guess.kind}}}")
    return fold(head), fold(tail)


def _wide(one: Placed, keeps_start: bool, keeps_end: bool) -> dict[str, tuple[int, int, str]]:
    name, spans = one.column.name, dict(one.guess.spans)
    own = one.guess.kind
    start, end, code = spans[own]
    side = spans.get("side")
    low = side[1] if side is not None and side[1] <= start else 0
    high = side[0] if side is not None and side[0] >= end else len(name)
    text = name[low:high]
    low += len(text) - len(text.lstrip(_BETWEEN))
    high -= len(text) - len(text.rstrip(_BETWEEN)) if side is not None and high == side[0] else 0
    return {**spans, own: (start if keeps_start else low, end if keeps_end else high, code)}


def by_template(placed: Sequence[Placed]) -> Iterator[tuple[str, list[Placed]]]:
    """Columns whose names are built alike, with the name they are built after."""
    found: dict[str, list[Placed]] = {}
    named: dict[str, str] = {}
    for one in placed:
        key = fold(one.template) + (one.guess.modality or "")
        named.setdefault(key, one.template)
        found.setdefault(key, []).append(one)
    for key, group in found.items():
        yield named[key], group


def _by(placed: Sequence[Placed], key: Callable[[Placed], str | None]) -> dict[str, tuple[Placed, ...]]:
    found: dict[str, tuple[Placed, ...]] = {}
    for one in placed:
        name = key(one)
        if name is not None:
            found[name] = (*found.get(name, ()), one)
    return found


def _place(guess: Guess) -> tuple[str, ...] | None:
    """What only one column can be; None where any number can."""
    if guess.kind == "ignore":
        return None
    codes = tuple(f"{name}={code}" for name, (_, _, code) in sorted(guess.spans.items()))
    return (guess.kind, guess.target, guess.modality or "", *codes)


def _template(name: str, guess: Guess) -> str:
    spans = sorted(((start, end, key) for key, (start, end, _) in guess.spans.items()), reverse=True)
    for start, end, key in spans:
        name = f"{name[:start]}{{{key}}}{name[end:]}"
    return re.sub(r"\s+", " ", name)
