"""What `study new` takes for an answer: a code, or a name that the catalogue knows for it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence

from examtally.contracts.checks import CODE, close
from examtally.contracts.codes import codes_of
from examtally.contracts.contract import Contract
from examtally.contracts.periods import PERIOD
from examtally.contracts.study.study import study_keys
from examtally.errors import StudyError

_PAIR = 2
KINDS = ("accuracy", "paired", "by_group", "agreement", "change")


def read_kind(text: str, contract: Contract) -> str:  # noqa: ARG001  the signature of all readers
    """The kind of study; raises StudyError with the legal set, as every function here."""
    return _one_of(text, dict.fromkeys(KINDS, ()), "kind of study", f"use one of {', '.join(KINDS)}")


def read_code(text: str, contract: Contract) -> str:  # noqa: ARG001  the signature of all readers
    """The short code of a study."""
    if not re.fullmatch(CODE, text.strip()):
        raise StudyError("the code of a study is small letters, digits and _, as in lachman_by_girth; write another")
    return text.strip()


def read_tests(text: str, contract: Contract) -> str:
    """Maneuvers, parted by commas, as their codes."""
    known = {code: (one.name, *one.synonyms) for code, one in contract.catalogue.maneuvers.items()}
    mend = "name maneuvers of the catalogue; `examtally dictionary --table maneuvers` lists them"
    found = [_one_of(one, known, "maneuver", mend) for one in text.split(",") if one.strip()]
    if not found:
        raise StudyError(f"no test: {mend}")
    return ", ".join(dict.fromkeys(found))


def read_condition(text: str, contract: Contract) -> str:
    """The target condition."""
    known = {code: (one.name,) for code, one in contract.catalogue.conditions.items()}
    return _one_of(text, known, "condition", f"use one of {', '.join(known)}")


def read_group(text: str, contract: Contract) -> str:
    """What the groups are made by."""
    legal = tuple(codes_of("study_groups", contract))
    return _one_of(text, dict.fromkeys(legal, ()), "group", f"use one of {', '.join(legal)}")


def read_since(text: str, contract: Contract) -> str:  # noqa: ARG001  the signature of all readers
    """The first period after an intervention."""
    if not re.fullmatch(PERIOD, text.strip()):
        raise StudyError("the first period after the intervention is a month or an ordinal, as 2026-03 or P007")
    return text.strip()


def read_purpose(text: str, contract: Contract) -> str:  # noqa: ARG001  the signature of all readers
    """What the study is done for; blank where that is left for later."""
    legal = _codes("governance", "purpose")
    return _one_of(text, dict.fromkeys(legal, ()), "purpose", f"use one of {', '.join(legal)}") if text.strip() else ""


def read_measure(text: str, contract: Contract) -> str:  # noqa: ARG001  the signature of all readers
    """What is compared or estimated."""
    legal = ("sensitivity", "specificity", "both")
    return _one_of(text, dict.fromkeys(legal, ()), "measure", f"use one of {', '.join(legal)}")


def read_groups(text: str, legal: tuple[str, ...]) -> str:
    """The two groups to compare, parted by commas; blank for those that the command chooses. `legal` may be empty."""
    named = [one.strip() for one in text.split(",") if one.strip()]
    if not named:
        return ""
    mend = f"name two of {', '.join(legal)}" if legal else "name two, parted by a comma"
    found = [_one_of(one, dict.fromkeys(legal, ()), "group", mend) if legal else one for one in named]
    if len(found) != _PAIR or found[0] == found[1]:
        raise StudyError(f"these are not two groups: {mend}")
    return ", ".join(found)


def read_share(text: str, contract: Contract) -> str:  # noqa: ARG001  the signature of all readers
    """A share, or shares parted by commas; blank for later."""
    for one in filter(None, map(str.strip, text.split(","))):
        try:
            share = float(one)
        except ValueError:
            share = 0.0
        if not 0 < share < 1:
            raise StudyError(f"'{one[:20]}' is no share: write a number above 0 and below 1, as 0.85")
    return text.strip()


def shares(text: str) -> tuple[float, ...]:
    """The numbers of an answer that `read_share` took."""
    return tuple(float(one) for one in text.split(",") if one.strip())


def check_expected(expected: Sequence[float], measure: str) -> None:
    """Raise StudyError where there is not one number for each measure."""
    wanted = _PAIR if measure == "both" else 1
    if len(expected) != wanted:
        what = "sensitivity and specificity, parted by a comma" if wanted == _PAIR else measure
        raise StudyError(f"{len(expected)} expected figures: write {wanted}, for {what}")


READERS: Mapping[str, Callable[[str, Contract], str]] = {
    "kind": read_kind,
    "code": read_code,
    "tests": read_tests,
    "condition": read_condition,
    "group_by": read_group,
    "purpose": read_purpose,
    "measure": read_measure,
    "since": read_since,
    "expected": read_share,
    "smallest": read_share,
}
"""How an answer is read, by the name of what is asked; what is not here is free text."""


def _codes(section: str, name: str) -> tuple[str, ...]:
    """The legal codes of a key of a study protocol."""
    return tuple(code for key in study_keys() if (key.section, key.name) == (section, name) for code in key.codes)


def _one_of(text: str, known: Mapping[str, Iterable[str]], what: str, mend: str) -> str:
    wanted = _plain(text)
    for code, names in known.items():
        if wanted in {_plain(code), *map(_plain, names)}:
            return code
    spelled = {_plain(name): code for code, names in known.items() for name in (code, *names)}
    near = close(wanted, spelled)
    meant = f"did you mean '{spelled[near[0]]}'? " if near else ""
    raise StudyError(f"'{' '.join(text.split())[:40]}' is no {what}; {meant}{mend}")


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace("_", " ").replace("-", " ").split())
