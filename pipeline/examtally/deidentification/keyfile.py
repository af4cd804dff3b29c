"""The site key: made once, held by the site's steward, never printed."""

from __future__ import annotations

import datetime
import json
import secrets
import stat
from dataclasses import dataclass, field
from pathlib import Path

from examtally.errors import KeyFileError
from examtally.files import write_whole

_WHAT = "examtally site key"
_VERSION = 1
_SECRET_BYTES = 32
_MIDDLE_SPREAD = 365
_PERIODS_BEFORE = 240
_PERIOD_SPREAD = 60
_REPOSITORIES = (".git", ".hg", ".svn", ".bzr")
_YEARS = (1950, 2100)


@dataclass(frozen=True)
class SiteKey:
    """A key: the secret, the day in the middle of the records (a proleptic ordinal) and the month before P001.

    Months count from year 0: 12 × year + month − 1.
    """

    secret: bytes = field(repr=False)
    middle_day: int = field(repr=False)
    month_zero: int = field(repr=False)


def make_key(path: Path, *, around: int | None = None) -> None:
    """Write a new key to `path`, readable by its owner only; `around` is the year in the middle of the records.

    Raises KeyFileError where the file exists, cannot be written or would lie inside a repository.
    """
    _check_place(path)
    if around is not None and not _YEARS[0] <= around <= _YEARS[1]:
        raise KeyFileError(f"--around must be a year from {_YEARS[0]} to {_YEARS[1]}")
    middle = datetime.date(around, 7, 1) if around is not None else datetime.date.today()
    day = middle.toordinal() + secrets.randbelow(2 * _MIDDLE_SPREAD + 1) - _MIDDLE_SPREAD
    month_zero = 12 * middle.year + middle.month - 1 - _PERIODS_BEFORE - secrets.randbelow(_PERIOD_SPREAD)
    content = {
        "what": _WHAT,
        "version": _VERSION,
        "secret": secrets.token_hex(_SECRET_BYTES),
        "middle_day": day,
        "month_zero": month_zero,
    }
    try:
        write_whole(path, json.dumps(content, indent=1) + "\n", is_new=True)
    except FileExistsError:
        raise KeyFileError("key: the file is there already; a site has one key, keep it") from None
    except OSError:
        raise KeyFileError("key: the file cannot be written; name a folder that exists and that is yours") from None


def read_key(path: Path) -> SiteKey:
    """Read a key; raises KeyFileError where others may read it, where it lies inside a repository, or is no key."""
    _check_place(path)
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise KeyFileError("key: cannot be read; make one once with `examtally key make FILE`") from None
    if stat.S_IMODE(mode) & 0o077:
        raise KeyFileError("key: others may read it; run chmod 600 on it, and ask whether it must be made anew")
    try:
        content = json.loads(text)
        if content["what"] != _WHAT or content["version"] != _VERSION:
            raise ValueError
        secret = bytes.fromhex(content["secret"])
        key = SiteKey(secret, int(content["middle_day"]), int(content["month_zero"]))
    except (ValueError, KeyError, TypeError, RecursionError):
        raise KeyFileError(
            "key: is not a site key of this version, or not a whole one; take it from its backup"
        ) from None
    if len(secret) != _SECRET_BYTES:
        raise KeyFileError("key: is not a whole site key; take it from its backup")
    return key


def _check_place(path: Path) -> None:
    """A key inside a repository is copied to whoever takes a copy of it."""
    place = path.absolute().resolve()
    if any((folder / mark).exists() for folder in place.parents for mark in _REPOSITORIES):
        raise KeyFileError("key: lies inside a repository of files under version control; keep it outside")
