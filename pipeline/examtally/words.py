"""Words that a person supplied, made harmless for the target they are written to; each target has one function.

Words are data: a title, a reason or a name is shown as it was written and never read as markup, formula or command.
HTML is escaped by `html.escape` where tables are made; Typst templates take words as JSON, which is data there.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

MARKUP = frozenset("<>{}[]`*_#$@~^|\\&")
"""What begins markup in a text of a report. Names that stand in its prose hold none of it."""

_PUNCTUATION = re.compile(r"([!-/:-@\[-`{-~])")  # of ASCII; a backslash before any of it makes it a plain sign
_FORMULA = r"^[=+\-@\t\r]"
_NUMBER = r"^[+-]?[0-9.]+(e[+-]?[0-9]+)?%?$"
_TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c"  # the direction of what follows
_UNSHOWN = ("Cc", "Cs", "Co", "Cn", "Zl", "Zp")


def for_terminal(text: str) -> str:
    """`text` without what commands a terminal or turns its writing round; line ends stay.

    >>> for_terminal("red \\x1b[31m"), for_terminal("plain\\nwords")
    ('red ?[31m', 'plain\\nwords')
    """
    return "".join(sign if sign == "\n" or is_shown(sign) else "?" for sign in text)


def for_markdown(text: str) -> str:
    """`text` as one line of Markdown that shows it letter by letter.

    >>> for_markdown("a <b> *c*")
    'a \\\\<b\\\\> \\\\*c\\\\*'
    """
    return _PUNCTUATION.sub(r"\\\1", for_terminal(" ".join(text.split())))


def for_csv(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with an apostrophe before every text that a spreadsheet would take for a formula; numbers stay."""
    import polars as pl
    import polars.selectors as cs

    cell = cs.string()
    is_formula = cell.str.contains(_FORMULA) & ~cell.str.contains(_NUMBER)
    return frame.with_columns(pl.when(is_formula).then("'" + cell).otherwise(cell).name.keep())


def is_shown(sign: str) -> bool:
    """Whether a sign is seen as itself: no control character, no lone half, none that turns the writing round."""
    return unicodedata.category(sign) not in _UNSHOWN and sign not in _TURNING
