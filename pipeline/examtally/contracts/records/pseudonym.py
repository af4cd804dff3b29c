"""The rule every coded identifier is held to, as declared in `schemas/pseudonym.yaml`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from examtally.contracts.yamlfile import load_yaml
from examtally.resources import resource

PREFIXES = {"participant": "PT", "examiner": "EM", "exam": "EX", "reference": "RF", "site": "ST"}
"""What the coded identifiers of each kind begin with."""


@dataclass(frozen=True)
class PseudonymRule:
    """Patterns are full matches unless named otherwise; `needs` must be found somewhere in the text."""

    pattern: str
    needs: str
    letters_in_a_row_at_most: int
    prefixes: tuple[str, ...]
    date_formats: tuple[str, ...]
    date_years: tuple[int, int]
    separated_dates: tuple[str, ...]
    words: str


@cache
def load_pseudonym_rule() -> PseudonymRule:
    """Return the declared rule; raises ContractError where the file is wrong."""
    keys = ("pattern", "needs", "letters_in_a_row_at_most", "prefixes", "date_formats", "date_years", "separated_dates")
    entries = load_yaml(resource("schemas") / "pseudonym.yaml").record(required=(*keys, "words"))
    first, last = (node.integer(1000, 9999) for node in entries["date_years"].items())
    return PseudonymRule(
        pattern=entries["pattern"].text(),
        needs=entries["needs"].text(),
        letters_in_a_row_at_most=entries["letters_in_a_row_at_most"].integer(1),
        prefixes=entries["prefixes"].texts("[A-Z]+"),
        date_formats=entries["date_formats"].texts(),
        date_years=(first, last),
        separated_dates=entries["separated_dates"].texts(),
        words=" ".join(entries["words"].text().split()),
    )
