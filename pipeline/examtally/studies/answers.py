"""What `study new` takes for an answer: a code, or a name that the catalogue knows for it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping

from examtally.contracts.checks import CODE, close
from examtally.contracts.codes import codes_of
from examtally.contracts.contract import Contract
from examtally.contracts.study.study import study_keys
from examtally.errors import StudyError

KINDS = ("accuracy", "paired", "by_group", "agreement")


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


def read_purpose(text: str, contract: Contract) -> str:  # noqa: ARG001  the signature of all readers
    """What the study is done for; blank where that is left for later."""
    legal = _codes("governance", "purpose")
    return _one_of(text, dict.fromkeys(legal, ()), "purpose", f"use one of {', '.join(legal)}") if text.strip() else ""


READERS: Mapping[str, Callable[[str, Contract], str]] = {
    "kind": read_kind,
    "code": read_code,
    "tests": read_tests,
    "condition": read_condition,
    "group_by": read_group,
    "purpose": read_purpose,
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
