"""What a joint is called: the words of a page speak of it by marks, and each page says its own.

A text holds «noun» and «nouns», with a capital «Noun» and «Nouns», with the article «a noun» and «A noun», and «region»
for what is examined. `Noun.said` writes the words of one joint in their place.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_MARK = re.compile("«(a |A )?(noun|nouns|Noun|Nouns|region)»")


@dataclass(frozen=True, slots=True)
class Noun:
    """One joint and many, and the region that is examined; `charted` are other words for it in exports."""

    one: str
    many: str
    region: str
    charted: tuple[str, ...] = ()

    def said(self, text: str) -> str:
        """`text` with the words of this joint in place of the marks.

        >>> Noun("ankle", "ankles", "ankle").said("«A noun» is one of two «nouns».")
        'An ankle is one of two ankles.'
        """
        return _MARK.sub(self._word, text) if "«" in text else text

    def _word(self, found: re.Match[str]) -> str:
        article, mark = found[1] or "", found[2]
        word = {"noun": self.one, "nouns": self.many, "region": self.region}[mark.lower()]
        if article and word[0].lower() in "aeiou":
            article = f"{article.strip()}n "
        return article + (word if mark.islower() else word[0].upper() + word[1:])
