"""What `study new` takes for an answer: a code, or a name that the catalogue knows for it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from examtally.contracts.checks import CODE, close
from examtally.contracts.codes import codes_of
from examtally.contracts.contract import Contract
from examtally.contracts.periods import PERIOD
from examtally.contracts.protocol.estimates import MERGED, SEVERITY
from examtally.contracts.study.parts import PlannedSize
from examtally.contracts.study.study import study_keys
from examtally.errors import StudyError
from examtally.studies.aims import contradiction

_PAIR = 2
_MOST_MEANT = 4
_LONGEST = 1000
_LATER = ("", "later")
_ALSO = {"role": ("training level", "level of training"), "acuity": ("time since onset",), "age_band": ("age",)}
KINDS = ("accuracy", "paired", "by_group", "agreement", "change")
_OF_TWO = {
    "agreement": "kappa and the share of positive findings, parted by a comma",
    "": "sensitivity and specificity, parted by a comma",
}


def is_later(text: str) -> bool:
    """Whether a question is left for later: blank, or the word."""
    return text.strip().casefold() in _LATER


def read_text(text: str, *, must: bool = False) -> str:
    """A sentence on one line; blank where it is left for later. Raises StudyError, as every function here."""
    said = " ".join(text.split())
    if is_later(said) and not must:
        return ""
    if not said:
        raise StudyError("this must be answered, in a few words; the file can be reworded until the study is locked")
    if len(said) > _LONGEST or not said.isprintable():
        raise StudyError(f"write 1 to {_LONGEST} printable characters, on one line")
    return said


def read_kind(text: str) -> str:
    """The kind of study."""
    return _one_of(text, dict.fromkeys(KINDS, ()), "kind of study", f"use one of {', '.join(KINDS)}")


def read_code(text: str) -> str:
    """The short code of a study."""
    if not re.fullmatch(CODE, text.strip()):
        raise StudyError("the code of a study is small letters, digits and _, as in lachman_by_girth; write another")
    return text.strip()


def read_tests(text: str, contract: Contract, kind: str) -> str:
    """Maneuvers, parted by commas, as their codes; two for a paired study."""
    known = {code: (one.name, *one.synonyms) for code, one in contract.catalogue.maneuvers.items()}
    mend = "name maneuvers of the catalogue; `examtally dictionary --table maneuvers` lists them"
    found = tuple(dict.fromkeys(_one_of(one, known, "maneuver", mend) for one in text.split(",") if one.strip()))
    if not found:
        raise StudyError(f"no test: {mend}")
    if kind == "paired" and len(found) != _PAIR:
        raise StudyError(f"{len(found)} tests: a paired study compares two; name two, parted by a comma")
    return ", ".join(found)


def read_condition(text: str, contract: Contract) -> str:
    """The target condition."""
    known = {code: (one.name,) for code, one in contract.catalogue.conditions.items()}
    return _one_of(text, known, "condition", f"use one of {', '.join(known)}")


def read_group(text: str, contract: Contract, condition: str) -> str:
    """What the groups are made by."""
    legal = {code: (label, *_ALSO.get(code, ())) for code, label in codes_of("study_groups", contract).items()}
    found = _one_of(text, legal, "group", f"use one of {', '.join(legal)}")
    asked = contract.catalogue.conditions[condition]
    if found == SEVERITY and (asked.derived_from or len(asked.severity) < _PAIR):
        raise StudyError(f"{condition} has no severities of its own; name another group")
    return found


def read_since(text: str) -> str:
    """The first period after an intervention."""
    if not re.fullmatch(PERIOD, text.strip()):
        raise StudyError("the first period after the intervention is a month or an ordinal, as 2026-03 or P007")
    return text.strip()


def legal_codes(section: str, name: str) -> tuple[str, ...]:
    """The legal codes of a key of a study protocol."""
    return tuple(code for key in study_keys() if (key.section, key.name) == (section, name) for code in key.codes)


def read_choice(text: str, section: str, name: str) -> str:
    """A code of a key of the study protocol; blank where it is left for later."""
    legal = legal_codes(section, name)
    what = name.replace("_", " ") if section == "governance" else f"answer about the {name}"
    return "" if is_later(text) else _one_of(text, dict.fromkeys(legal, ()), what, f"use one of {', '.join(legal)}")


def read_measure(text: str, group_by: str) -> str:
    """What is compared or estimated; by severity of the condition sensitivity alone."""
    legal = ("sensitivity",) if group_by == SEVERITY else ("sensitivity", "specificity", "both")
    return _one_of(text, dict.fromkeys(legal, ()), "measure", f"use one of {', '.join(legal)}")


def read_groups(text: str, legal: tuple[str, ...], *, can_merge: bool = True) -> str:
    """The two groups of legal levels to compare, parted by a comma; a + joins levels that are one group together."""
    mend = f"name two of {', '.join(legal)}" + (", with + between levels that are one group" if can_merge else "")
    known = dict.fromkeys(legal, ())
    named = [one.split(MERGED) if can_merge else [one] for one in text.split(",") if one.strip()]
    found = [sorted({_one_of(level, known, "group", mend) for level in levels}, key=legal.index) for levels in named]
    if len(found) != _PAIR or set(found[0]) & set(found[1]):
        raise StudyError(f"these are not two groups: {mend}")
    return ", ".join(MERGED.join(levels) for levels in found)


def read_expected(text: str, kind: str, measure: str) -> str:
    """What is expected: one share, or two for both measures and for agreement; blank where it is left for later."""
    if is_later(text):
        return ""
    found = _shares(text)
    check_expected(found, kind, measure)
    return ", ".join(f"{share:g}" for share in found)


def read_smallest(text: str, planned: Mapping[str, float | str], key: str) -> str:
    """The number under `key` of a planned size that holds all the others; blank where it is left for later.

    Raises StudyError where no size has these numbers.
    """
    if is_later(text):
        return ""
    (share, *more) = _shares(text)
    if more:
        raise StudyError(f"{len(more) + 1} figures: write one, as 0.15")
    numbers = {name: value for name, value in planned.items() if not isinstance(value, str)}
    measure = str(planned.get("measure", "sensitivity"))
    size = PlannedSize(None, str(planned["aim"]), None, measure, 0.8, {**numbers, key: share})
    if numbers and (fault := contradiction(size, 0.025)):
        raise StudyError(f"no size has these numbers: {fault}; write another")
    return f"{share:g}"


def shares(text: str) -> tuple[float, ...]:
    """The numbers of an answer that was read."""
    return tuple(float(one) for one in text.split(",") if one.strip())


def check_expected(expected: Sequence[float], kind: str, measure: str) -> None:
    """Raise StudyError where there is not one number for each figure that is expected."""
    wanted = _PAIR if measure == "both" or kind == "agreement" else 1
    if len(expected) != wanted:
        what = measure if wanted == 1 else _OF_TWO.get(kind, _OF_TWO[""])
        figures = "figure" if len(expected) == 1 else "figures"
        raise StudyError(f"{len(expected)} expected {figures}: write {wanted}, for {what}")


def _shares(text: str) -> tuple[float, ...]:
    found = [one.strip() for one in text.split(",")]
    for one in found:
        try:
            share = float(one)
        except ValueError:
            share = 0.0
        if not 0 < share < 1:
            raise StudyError(f"'{one[:20]}' is no share: write a number above 0 and below 1, as 0.85")
    return tuple(map(float, found))


def _one_of(text: str, known: Mapping[str, Iterable[str]], what: str, mend: str) -> str:
    wanted = _plain(text)
    for code, names in known.items():
        if wanted in {_plain(code), *map(_plain, names)}:
            return code
    spelled = {_plain(name): code for code, names in known.items() for name in (code, *names)}
    words = set(wanted.split())
    alike = dict.fromkeys(
        code for name, code in spelled.items() if words <= {*name.split()} or {*name.split()} <= words
    )
    near = [*alike] or [spelled[name] for name in close(wanted, spelled)[:1]]
    listed = " or ".join(f"'{code}'" for code in near[:_MOST_MEANT])
    meant = f"did you mean {listed}? " if near and len(near) <= _MOST_MEANT else ""
    raise StudyError(f"'{' '.join(text.split())[:40]}' is no {what}; {meant}{mend}")


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace("_", " ").replace("-", " ").split())
