"""Where a study stands to its lock: which analyses were fixed beforehand, and what has deviated since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from examtally.contracts.study.parts import StudyAnalysis
from examtally.contracts.study.study import Study
from examtally.errors import StudyError
from examtally.studies.lockfile import LockEntry

PRESPECIFIED, EXPLORATORY = "prespecified", "exploratory"
ASKED_BEFORE = "lock"
"""The key of a deviation that stands on page one: the question was locked or its results were seen before."""
_WITHOUT_FIGURES = ("governance", "planned_size", "harms", "background", "intended_use")
_NOT_FRAME = ("primary", "secondary", "subgroups", *_WITHOUT_FIGURES)


@dataclass(frozen=True)
class Deviation:
    """One departure from what was locked: the key, what became of it, and the reason given in an amendment."""

    key: str
    says: str
    reason: str


@dataclass(frozen=True)
class LockStatus:
    """`prespecified` holds the names of the analyses that were locked and are as they were."""

    locked: tuple[LockEntry, ...]
    prespecified: frozenset[str]
    deviations: tuple[Deviation, ...]

    @property
    def asked_before(self) -> tuple[Deviation, ...]:
        """What says that the question was locked, or its results seen, before this lock."""
        return tuple(one for one in self.deviations if one.key == ASKED_BEFORE)

    def status(self, analysis: str) -> str:
        """prespecified or exploratory."""
        return PRESPECIFIED if analysis in self.prespecified else EXPLORATORY


def lock_status(study: Study, locked: Sequence[LockEntry], *, exploratory: bool = False) -> LockStatus:
    """Compare a study with its lock; `exploratory` lets a changed one run, and then nothing is prespecified.

    Population, tests, target, reference, blinding, corrections and error rates are one frame: where it differs from the
    lock, StudyError names what does, unless an amendment says why; an amended frame makes every analysis exploratory.
    An analysis or subgroup that was not locked, or is not as it was, is exploratory alone.
    """
    if not locked:
        return LockStatus((), frozenset(), ())
    first, last = locked[0].study, locked[-1].study
    changed = _changed(last, study)
    if changed and not exploratory:
        raise StudyError(
            f"the protocol is not the one that was locked ({', '.join(changed)} changed since {locked[-1].at} UTC); "
            "put it back, record the change with `study amend`, or run it with --exploratory"
        )
    deviations = [Deviation(key, "changed after the lock, without an amendment", "") for key in changed]
    deviations += _amended(locked)
    deviations += _of_analyses(first, last, study, locked)
    deviations += [
        Deviation(key, "changed after the lock; no figure depends on it", "") for key in _loose(first, study)
    ]
    is_as_locked = not _changed(first, study) and not exploratory
    were = {one.name: one for one in first.analyses}
    kept = (
        one.name for one in study.analyses if were.get(one.name) == one and _role_of(one, first) == _role_of(one, study)
    )
    return LockStatus(tuple(locked), frozenset(kept) if is_as_locked else frozenset(), tuple(deviations))


def _changed(before: Study, now: Study) -> list[str]:
    """Keys of the frame that differ."""
    was, is_now = _frame(before), _frame(now)
    return [key for key in was if was[key] != is_now[key]]


def _loose(before: Study, now: Study) -> list[str]:
    """Keys outside the frame that differ."""
    was, is_now = before.to_dict(), now.to_dict()
    return [key for key in _WITHOUT_FIGURES if was[key] != is_now[key]]


def _frame(study: Study) -> dict[str, Any]:
    frame = study.to_dict()
    selection = frame.pop("selection")
    for key in _NOT_FRAME:
        frame.pop(key)
    return frame | {key: value for key, value in selection.items() if key != "is"}


def _amended(locked: Sequence[LockEntry]) -> list[Deviation]:
    """The frame's changes that amendments record, each with its reason."""
    found = []
    for before, after in pairwise(locked):
        keys = _changed(before.study, after.study)
        found += [Deviation(key, f"changed by the amendment of {after.at} UTC", after.reason) for key in keys]
    return found


def _of_analyses(first: Study, last: Study, study: Study, locked: Sequence[LockEntry]) -> list[Deviation]:
    """Analyses added, changed or left out since the lock."""
    were, amended = ({one.name: one for one in of.analyses} for of in (first, last))
    found = []
    for one in study.analyses:
        if were.get(one.name) == one and _role_of(one, first) == _role_of(one, study):
            continue
        is_amended = amended.get(one.name) == one
        how = "changed" if one.name in were else "added"
        after = f"by an amendment of {locked[-1].at} UTC" if is_amended else "without an amendment"
        found.append(Deviation(one.name, f"{how} after the lock, {after}", locked[-1].reason if is_amended else ""))
    now = {one.name for one in study.analyses}
    found += [Deviation(name, "declared in the lock and not run", "") for name in were if name not in now]
    return found


def _role_of(analysis: StudyAnalysis, study: Study) -> str:
    if analysis.name in {one.name for one in study.primary}:
        return "primary"
    return "secondary" if analysis.name in {one.name for one in study.secondary} else "subgroup"
