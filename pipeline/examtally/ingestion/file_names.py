"""What a draft keeps of the names of files and sheets: words that name nobody; for all else a pattern stands."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from examtally.contracts.synonyms import synonyms
from examtally.ingestion.exports import ENDINGS, matches
from examtally.ingestion.sources import ending_of

_WORD = re.compile(r"[^\W\d_]+|\d+")
_STARS = re.compile(r"\*(?:[^\w*]|_)*(?=\*)")


def pattern_of(name: str) -> str:
    """Return the name of a file with `*` for every word that is not known to name nobody, and for every number.

    >>> pattern_of("knee_visits 2024-03.csv"), pattern_of("Roe, Jo.xlsx"), pattern_of("Clinic.export.csv.gz")
    ('knee_visits *.csv', '*.xlsx', 'Clinic.export.csv.gz')
    """
    ending = ending_of(Path(name), ENDINGS) or ""
    stem = name[: len(name) - len(ending)]
    return _STARS.sub("", _WORD.sub(_kept, stem)) + ending.lower()


def file_patterns(paths: Sequence[Path]) -> list[tuple[str, bool]]:
    """Return for each file the pattern that finds it and no other of them, and whether its own name does.

    Where the known words of a name do not tell a file from the others, it is a neutral name that it must be given.
    """
    patterns = [pattern_of(path.name) for path in paths]
    found = []
    for number, (path, pattern) in enumerate(zip(paths, patterns, strict=True), start=1):
        is_alone = sum(matches(other.name, pattern) for other in paths) == 1
        neutral = f"export_{number}*{ending_of(path, ENDINGS) or ''}"
        found.append((pattern, True) if is_alone else (neutral, False))
    return found


def is_harmless(name: str) -> bool:
    """Return whether every word in the name of a sheet is known to name nobody."""
    return all(_kept(word) != "*" or word[0].isdigit() for word in _WORD.finditer(name))


def _kept(word: re.Match[str]) -> str:
    return word[0] if word[0].lower() in synonyms().file_words else "*"
