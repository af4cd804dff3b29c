"""The words of a column name, and the phrases of the catalogue and the declared synonyms that they may be."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from types import MappingProxyType

from examtally.contracts.records.synonyms import synonyms

_TOKEN = re.compile(r"[^\W_]+|[+%]")
_CAMEL = re.compile(r"(?<=[a-zà-ÿ]{2})(?<!Mac)(?=[A-Z])|(?<=[A-Za-zà-ÿ]{3})(?=[0-9])")
_LONGEST_PHRASE = 8
_CLOSE = 0.86
_ALIKE = 0.6
_SHORT = 0.8  # how sure a name of shortened words is
_FEWEST_LETTERS = 3
_VOWELS = re.compile(r"(?<=.)[aeiouäöü]")


@dataclass(frozen=True)
class Word:
    """A word in small letters, and where it stands in the name."""

    text: str
    start: int
    end: int


@dataclass(frozen=True)
class Match:
    """A phrase found in a name: what it stands for, where it stands, and how much of the name it explains, 0 to 1."""

    target: str
    start: int
    end: int
    score: float


def words_of(name: str) -> tuple[Word, ...]:
    """Return the words of a name; short forms are spelled out and share the place of the short form."""
    words: list[Word] = []
    for token in _TOKEN.finditer(name.replace("'", "").replace("’", "")) if "'" not in name else _TOKEN.finditer(name):
        start = token.start()
        for part in _CAMEL.split(token[0]):
            end = start + len(part)
            short = part.lower()
            words += [Word(text, start, end) for text in _spelled_out(short).split()]
            start = end
    return tuple(words)


@cache
def _spelled_out(word: str) -> str:
    """What a short or foreign word stands for; a beginning of one, such as `vord`, is that one where it is the only."""
    known = synonyms().abbreviations
    if word in known:
        return known[word]
    longer = {known[each] for each in known if each.startswith(word)} if len(word) > _FEWEST_LETTERS else set()
    return longer.pop() if len(longer) == 1 else word


def is_short_for(short: str, word: str) -> bool:
    """Whether `short` is a beginning of `word`, or some of its letters without vowels: `subj`, `lvl`, `exmr`.

    >>> [is_short_for(short, "examiner") for short in ("exam", "exmr", "ex", "exr", "mnr")]
    [True, True, False, True, False]
    """
    if short == word:
        return True
    if len(short) < _FEWEST_LETTERS or not short.isalpha() or short[0] != word[0]:
        return False
    letters = iter(_VOWELS.sub("", word))
    return word.startswith(short) or (short[-1] == word[-1] and all(letter in letters for letter in short))


class Phrases:
    """Phrases and what each stands for, found in names whole, in any order, nearly, or with `shortened` words."""

    def __init__(self, phrases: Iterable[tuple[str, str]], *, shortened: bool = True) -> None:
        self._by_words: dict[frozenset[str], str] = {}
        self._by_content: dict[frozenset[str], str] = {}
        self._texts: dict[str, str] = {}
        self._by_letters: dict[str, dict[tuple[str, ...], str]] = {}
        for phrase, target in phrases:
            words = [word.text for word in words_of(phrase)]
            content = _content(words)
            if words:
                self._by_words.setdefault(frozenset(words), target)
                self._texts.setdefault(" ".join(words), target)
            if words and shortened:
                letters = "".join(word[0] for word in words)
                self._by_letters.setdefault(letters, {}).setdefault(tuple(words), target)
            if content:
                self._by_content.setdefault(frozenset(content), target)

    def best(self, words: Sequence[Word]) -> Match | None:
        """Return the phrase that explains most of the words, None where there is none."""
        found = list(self._found(words)) or list(self._near(words)) or list(self._short(words))
        return max(found, key=lambda match: (match.score, match.end - match.start), default=None)

    def targets(self, words: Sequence[Word]) -> list[Match]:
        """Return the best phrase of every target."""
        best: dict[str, Match] = {}
        for match in (*self._found(words), *self._near(words), *self._short(words)):
            if match.target not in best or match.score > best[match.target].score:
                best[match.target] = match
        return list(best.values())

    def _found(self, words: Sequence[Word]) -> Iterator[Match]:
        whole = len(_content([word.text for word in words])) or len(words)
        for first, last in combinations(range(len(words) + 1), 2):
            if last - first > _LONGEST_PHRASE:
                continue
            texts = [word.text for word in words[first:last]]
            content = _content(texts)
            begins = bool(content) and texts[0] == content[0]
            for known, size, penalty in (
                (self._by_words.get(frozenset(texts)), len(content) or len(texts), 0.0),
                (self._by_content.get(frozenset(content)) if begins else None, len(content), 0.03),
            ):
                if known is not None:
                    share = min(1.0, size / whole)
                    yield Match(known, words[first].start, words[last - 1].end, share**0.5 - penalty)

    def _short(self, words: Sequence[Word]) -> Iterator[Match]:
        """Phrases of which every word stands there in its place, some of them shortened."""
        whole = len(_content([word.text for word in words])) or len(words)
        for first, last in combinations(range(len(words) + 1), 2):
            texts = [word.text for word in words[first:last]]
            for phrase, target in self._by_letters.get("".join(text[0] for text in texts), {}).items():
                if all(map(is_short_for, texts, phrase)):
                    share = min(1.0, (len(_content(texts)) or len(texts)) / whole)
                    yield Match(target, words[first].start, words[last - 1].end, _SHORT * share**0.5)

    def _near(self, words: Sequence[Word]) -> Iterator[Match]:
        text = " ".join(word.text for word in words)
        for near in difflib.get_close_matches(text, self._texts, n=3, cutoff=_CLOSE) if len(text) > 4 else ():
            ratio = difflib.SequenceMatcher(None, text, near).ratio()
            if any(not difflib.get_close_matches(word, text.split(), cutoff=_ALIKE) for word in near.split()):
                continue  # a word that is not there may be the one that tells medial from lateral
            yield Match(self._texts[near], words[0].start, words[-1].end, 0.9 * ratio)


def _content(words: Collection[str]) -> list[str]:
    fillers = synonyms().fillers
    return [word for word in words if word not in fillers]


def phrases_of(codes: Mapping[str, Iterable[str]], own: Mapping[str, Iterable[str]] = MappingProxyType({})) -> Phrases:
    """Return the phrases of codes: the code itself and its words; a group's `own` words go before."""
    written = [(word, code) for code, words in own.items() for word in words]
    written += [
        pair
        for code, words in codes.items()
        for pair in ((code.replace("_", " "), code), *((word, code) for word in words))
    ]
    return Phrases(written)
