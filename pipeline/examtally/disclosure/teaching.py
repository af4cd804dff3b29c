"""Confirmed cases that may be shown to learners: none by which fewer than 11 people could be meant.

What is shown of a case is its age band, how long ago it began and some findings, then the answer. A case may be shown
only where at least 11 people of the registry look alike in all of that, and among them are some confirmed with the
condition and some confirmed without, so that what is shown does not tell the answer of everybody who looks so. Findings
are left out from the last on, then onset, until that holds; where not even the age may stand before the exam there is
nothing to guess by, and no case. Each look stands once in a set. No examiner, period, day, site or code of anybody is
in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

import polars as pl

from examtally.contracts.protocol.teaching import Blueprint
from examtally.disclosure.tables import FEWEST
from examtally.errors import DisclosureError

CONTEXTS = (("age_band", "acuity"), ("age_band",))
CLEAR = ("positive", "negative")


@dataclass(frozen=True)
class Case:
    """One case as it is shown: the findings in the order of the exam, each positive or negative."""

    condition: str
    context: tuple[tuple[str, str], ...]
    findings: tuple[tuple[str, str], ...]
    is_present: bool
    by_surgery: bool

    @property
    def is_hard(self) -> bool:
        """Whether the first finding points away from the answer, or the findings disagree."""
        calls = [result == CLEAR[0] for _, result in self.findings]
        return calls[0] != self.is_present or len(set(calls)) > 1


@dataclass(frozen=True)
class TeachingSet:
    """The drawn cases in the order in which they are shown; `asked` and `given` count them by kind."""

    cases: tuple[Case, ...]
    asked: dict[str, int]
    given: dict[str, int]


def teaching_set(
    looks: Mapping[str, pl.DataFrame], maneuvers: Mapping[str, Sequence[str]], blueprint: Blueprint
) -> TeachingSet:
    """Draw the cases of a blueprint; the same looks and seed give the same set.

    `looks` has for each condition a row an examined side: participant, the columns of `CONTEXTS`, `result_<maneuver>`
    of its `maneuvers`, `confirmed` (true with, false without, null where it is not), `by_surgery`. Raises
    DisclosureError where fewer than four cases may be shown.
    """
    draw = Random(blueprint.seed)
    pool = {code: shown_cases(code, looks[code], maneuvers[code], blueprint.most_findings) for code in looks}
    chosen: list[Case] = []
    asked: dict[str, int] = {}
    for kind, number in _plan(list(pool), blueprint):
        code, present, hard = kind
        fitting = [one for one in pool[code] if (one.is_present, one.is_hard) == (present, hard)]
        asked[_name(kind)] = number
        chosen += draw.sample(fitting, min(number, len(fitting)))
    rest = [one for cases in pool.values() for one in cases if one not in chosen]
    chosen += draw.sample(rest, min(blueprint.cases - len(chosen), len(rest)))
    if len(chosen) < 4:
        raise DisclosureError(
            f"{len(chosen)} cases may be shown, and a set has four or more: too few people look alike yet"
        )
    draw.shuffle(chosen)
    kinds = [_name((one.condition, one.is_present, one.is_hard)) for one in chosen]
    return TeachingSet(tuple(chosen), asked, {kind: kinds.count(kind) for kind in sorted(set(kinds))})


def check_apart(earlier: Iterable[Mapping[str, Any]], now: Mapping[str, Any]) -> None:
    """Raise DisclosureError where fewer than 11 people lie between this set and one that went out before.

    A look that one of the two shows and the other does not would tell how the few look. `now`, and each of `earlier`,
    hold the fingerprints `records` and `protocol`, and `people` by condition; sets of the same records are not apart.
    """
    for before in earlier:
        if (before.get("records"), before.get("protocol")) == (now["records"], now["protocol"]):
            continue
        known = before.get("people", {})
        if any(abs(people - known[code]) < FEWEST for code, people in now["people"].items() if code in known):
            raise DisclosureError(
                "the records or the protocol changed since an earlier teaching set, and fewer than 11 people lie "
                "between them: the two together would tell of them. Wait until 11 people more have been examined"
            )


def shown_cases(condition: str, looks: pl.DataFrame, maneuvers: Sequence[str], most: int) -> list[Case]:
    """Every confirmed case of a condition as it may be shown, each look and answer once, in a fixed order."""
    results = [f"result_{maneuver}" for maneuver in maneuvers]
    found: dict[Any, Case] = {}
    frame = looks.with_columns(pl.col(name).cast(pl.String) for name in (*CONTEXTS[0], *results))
    called = [
        pl.when(pl.col(name).is_in(CLEAR)).then(pl.lit(f"{maneuver}=") + pl.col(name))
        for maneuver, name in zip(maneuvers, results, strict=True)
    ]
    done = frame.with_columns(pl.concat_list(called).list.drop_nulls().alias("found"))
    done = done.filter(pl.col("found").list.len() > 0).with_row_index("place")
    left = done
    for length, context in _ways(min(most, len(maneuvers))):
        seen = left.with_columns(pl.col("found").list.head(length).list.join(";").alias("look"))
        whole = done.with_columns(pl.col("found").list.head(length).list.join(";").alias("look"))
        key = [*context, "look"]
        safe = whole.group_by(key).agg(
            pl.col("participant").n_unique().alias("people"),
            pl.col("confirmed").any().alias("some_with"),
            (~pl.col("confirmed")).any().alias("some_without"),
        ).filter(pl.col("people") >= FEWEST, pl.col("some_with"), pl.col("some_without"))  # fmt: skip
        kept = seen.join(safe.select(key), on=key, how="semi", nulls_equal=True)
        for row in kept.filter(pl.col("confirmed").is_not_null()).sort("place").iter_rows(named=True):
            case = _case(condition, row, context)
            found.setdefault((case.context, case.findings), case)
        left = left.join(kept.select("place"), on="place", how="anti")
    return list(found.values())


def _ways(most: int) -> Iterator[tuple[int, tuple[str, ...]]]:
    """How much may be shown, the most first: findings go before the context does, two of them stay the longest."""
    for least, lengths in ((2, range(most, 1, -1)), (1, range(1, 0, -1))):
        for context in CONTEXTS:
            for length in lengths:
                if length >= least:
                    yield length, context


def _case(condition: str, row: dict[str, Any], context: tuple[str, ...]) -> Case:
    findings = tuple(tuple(one.split("=")) for one in row["look"].split(";"))
    shown = tuple((name, row[name] or "unknown") for name in context)
    return Case(condition, shown, findings, row["confirmed"], row["by_surgery"])


def _plan(conditions: list[str], blueprint: Blueprint) -> Iterator[tuple[tuple[str, bool, bool], int]]:
    """How many cases of each kind, the whole numbers nearest to the shares that add up."""
    made, at = 0, 0.0
    shares = {True: blueprint.share_present, False: 1 - blueprint.share_present}
    hard = {True: blueprint.share_hard, False: 1 - blueprint.share_hard}
    for code in conditions:
        for present, share in shares.items():
            for is_hard, part in hard.items():
                at += blueprint.cases / len(conditions) * share * part
                yield (code, present, is_hard), round(at) - made
                made = round(at)


def _name(kind: tuple[str, bool, bool]) -> str:
    code, present, hard = kind
    return f"{code}, {'present' if present else 'absent'}, {'hard' if hard else 'easy'}"
