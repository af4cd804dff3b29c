"""What the key makes of a text: coded identifiers and clocks. The same text and key give the same, in every batch.

Alternating letters and digits keep the rule of coded identifiers whatever the secret: no two letters and no two digits
stand side by side, so no name, no word and no date can arise.
"""

from __future__ import annotations

import datetime
import hashlib
import hmac
import re
from collections.abc import Iterable

from examtally.contracts.records.pseudonym import PREFIXES
from examtally.deidentification.keyfile import SiteKey
from examtally.errors import FileFault

LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
DIGITS = "0123456789"
PAIRS = 8  # 200 to the 8th: for a million people a collision has a chance of 2 in 10 million, and is refused
CLOCK_SPREAD = 5000


def normal(text: str) -> str:
    """Return the form in which texts are the same person: capitals, spaces and leading zeros of numbers do not count.

    >>> normal(" 00123 ") == normal("123"), normal("Dr.  A. Lund") == normal("dr. a. lund")
    (True, True)
    """
    words = " ".join(text.split()).casefold()
    return words.lstrip("0") or "0" if words.isascii() and words.isdigit() else words


def coded(key: SiteKey, kind: str, texts: Iterable[str]) -> dict[str, str]:
    """Return the coded identifier of each distinct text; raises FileFault where two texts would share one."""
    prefix = PREFIXES[kind]
    codes = {text: f"{prefix}-{_code(_digest(key, kind, normal(text)))}" for text in texts}
    if len(set(codes.values())) != len({normal(text) for text in codes}):
        raise FileFault("two identifiers would share one code; make a new key before any batch is used")
    return codes


def offsets(key: SiteKey, texts: Iterable[str]) -> dict[str, int]:
    """Return what is added to the ordinal of a date to give the day on the clock of each participant."""
    return {
        text: _digest(key, "clock", normal(text)) % (2 * CLOCK_SPREAD + 1) - CLOCK_SPREAD - key.middle_day
        for text in texts
    }


def _digest(key: SiteKey, kind: str, text: str) -> int:
    return int.from_bytes(hmac.new(key.secret, f"{kind}\x1f{text}".encode(), hashlib.sha256).digest())


def _code(number: int) -> str:
    signs = []
    for _ in range(PAIRS):
        number, letter = divmod(number, len(LETTERS))
        number, digit = divmod(number, len(DIGITS))
        signs += [LETTERS[letter], DIGITS[digit]]
    return "".join(signs)


_TIME = re.compile(r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?)?")
_ISO = ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d")
_FORMS = {
    "year_first": _ISO,
    "day_first": (*_ISO, "%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y", "%d-%b-%Y", "%d %b %Y", "%d. %m. %Y", "%d %B %Y"),
    "month_first": (*_ISO, "%m/%d/%Y", "%m-%d-%Y", "%m.%d.%Y", "%b %d, %Y", "%B %d, %Y"),
}
_YEARS = (1880, 2100)


def read_dates(texts: Iterable[str], order: str) -> dict[str, int | None]:
    """Return the proleptic ordinal of the day in each distinct text, None where it is no date in this order.

    >>> read_dates(["2031-03-14", "14.03.2031 09:30"], "day_first")
    {'2031-03-14': 741515, '14.03.2031 09:30': 741515}
    >>> read_dates(["14.03.31"], "day_first")
    {'14.03.31': None}
    """
    return {text: _ordinal(text, order) for text in texts}


def _ordinal(text: str, order: str) -> int | None:
    day = re.fullmatch(rf"(.*?\d){_TIME.pattern}", text.strip())
    if day is None:
        return None
    for form in _FORMS[order]:
        try:
            found = datetime.datetime.strptime(day[1], form).date()
        except ValueError:
            continue
        if _YEARS[0] <= found.year <= _YEARS[1]:
            return found.toordinal()
    return None
