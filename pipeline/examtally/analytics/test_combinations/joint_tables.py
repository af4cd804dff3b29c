"""The tables of several maneuvers counted together: combinations, dependence and patterns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from itertools import combinations

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_accuracy.measures import Figures, proportion, ratio
from examtally.analytics.diagnostic_accuracy.notes import Remark, in_words, remarks
from examtally.analytics.diagnostic_accuracy.two_by_two import TwoByTwo
from examtally.analytics.intervals import FloatArray
from examtally.analytics.test_combinations.combinations import RULES, Combination, combine
from examtally.analytics.test_combinations.dependence import Dependence, dependence
from examtally.analytics.test_combinations.joint import JointFindings
from examtally.analytics.test_combinations.patterns import Pattern, patterns
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.estimates import maneuvers_for
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty, table_of

_PROPORTIONS = ("sensitivity", "specificity")
_RATIOS = ("lr_positive", "lr_negative")
_STATUSES = ("present", "absent")
_RARE = 10
_PENALTY = 1.0
CLINICAL = "Made against a clinical diagnosis."


def settled_conditions(contract: Contract, protocol: Protocol) -> tuple[str, ...]:
    """The conditions that something settles and that a maneuver speaks of, in catalogue order."""
    conditions = contract.catalogue.conditions
    return tuple(code for code in conditions if code in protocol.reference.accepted and maneuvers_for(code, contract))


def combinations_table(frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """Return the table `combinations`: any-of and all-of for every set of two to `modelling.max_combined` maneuvers.

    `frame` is the diagnostic frame. A figure that cannot be estimated is null with a flag and a note.
    """
    found = [
        (condition, combine(joint.among(chosen), rule))
        for condition, joint in _joints(frame, contract, protocol)
        for size in range(2, protocol.modelling.max_combined + 1)
        for chosen in combinations(joint.maneuvers, size)
        for rule in RULES
    ]
    if not found:
        return empty("combinations")
    table = _two_by_two((condition, combination.counts) for condition, combination in found)
    figures = [proportion(table, name, protocol.intervals) for name in _PROPORTIONS]
    figures += [ratio(table, name, protocol.intervals) for name in _RATIOS]
    frames = [_combination_rows(found, table, one, protocol) for one in figures]
    return conform("combinations", pl.concat(frames))


def dependence_table(frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """Return the table `dependence`: every pair of maneuvers of a condition, with it and without it."""
    rows = [
        {"condition": condition, "maneuver_a": pair[0], "maneuver_b": pair[1], **asdict(found)}
        | _said_of_dependence(found, condition, protocol)
        for condition, joint in _joints(frame, contract, protocol)
        for pair in combinations(joint.maneuvers, 2)
        for found in (dependence(joint.among(pair), status, protocol.intervals.level) for status in _STATUSES)
    ]
    return table_of("dependence", rows)


def patterns_table(frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """Return the table `patterns`: every pattern of the maneuvers of a condition that are done most.

    Core maneuvers come first, then those with most findings: never chosen by what they found.
    """
    found = [
        (condition, pattern)
        for condition, joint in _joints(frame, contract, protocol)
        for pattern in patterns(_most_done(joint, contract, protocol.modelling.max_pattern), penalty=_PENALTY)
    ]
    if not found:
        return empty("patterns")
    table = _two_by_two((condition, pattern.counts) for condition, pattern in found)
    return conform("patterns", _pattern_rows(found, table, protocol))


def _joints(frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> Iterator[tuple[str, JointFindings]]:
    """Conditions with two maneuvers or more, each with its joint table."""
    for condition in settled_conditions(contract, protocol):
        maneuvers = maneuvers_for(condition, contract)
        if len(maneuvers) > 1:
            yield condition, JointFindings.read(frame, condition, maneuvers)


def _most_done(joint: JointFindings, contract: Contract, most: int) -> JointFindings:
    done = dict(zip(joint.maneuvers, (~np.isnan(joint.findings)).sum(axis=0), strict=True))
    catalogue = contract.catalogue.maneuvers
    first = sorted(joint.maneuvers, key=lambda code: (not catalogue[code].core, -done[code]))[:most]
    return joint.among([code for code in joint.maneuvers if code in first])


def _two_by_two(counted: Iterable[tuple[str, object]]) -> TwoByTwo:
    rows = [
        {"condition": condition, "maneuver": str(place), "group_by": "overall", "group": "all", **dict(counts)}  # type: ignore[call-overload]
        for place, (condition, counts) in enumerate(counted)
    ]
    return TwoByTwo.of(pl.DataFrame(rows))


def _combination_rows(
    found: Sequence[tuple[str, Combination]], table: TwoByTwo, figures: Figures, protocol: Protocol
) -> pl.DataFrame:
    flag, note = _words(table, figures, [condition for condition, _ in found], protocol)
    independent = np.array([combination.if_independent[figures.measure] for _, combination in found])
    return pl.DataFrame(
        {
            "condition": [condition for condition, _ in found],
            "rule": [combination.rule for _, combination in found],
            "maneuvers": [", ".join(combination.maneuvers) for _, combination in found],
            "measure": figures.measure,
            "estimate": _known(figures.estimate),
            "ci_low": _known(figures.limits.low),
            "ci_high": _known(figures.limits.high),
            "if_independent": _known(independent),
            "interval": figures.interval,
            "n": figures.n.astype(np.int64),
            "events": figures.events.astype(np.int64),
            "participants": figures.participants.astype(np.int64),
            "flag": flag,
            "note": note,
        }
    )


def _pattern_rows(found: Sequence[tuple[str, Pattern]], table: TwoByTwo, protocol: Protocol) -> pl.DataFrame:
    figures = ratio(table, "lr_positive", protocol.intervals)
    seen = np.array([pattern.seen for _, pattern in found])
    modelled = np.array([pattern.model_lr is not None for _, pattern in found])
    told = [
        Remark("not_estimable", "This pattern was never seen; the model's ratio only.", (seen == 0) & modelled),
        Remark(
            "too_few",
            f"Seen in fewer than {_RARE} «nouns»: read the model's ratio.",
            modelled & (seen > 0) & (seen < _RARE),
        ),
    ]
    flag, note = _words(table, figures, [condition for condition, _ in found], protocol, told)
    return pl.DataFrame(
        {
            "condition": [condition for condition, _ in found],
            "maneuvers": [", ".join(pattern.maneuvers) for _, pattern in found],
            "pattern": [pattern.signs for _, pattern in found],
            "present": [pattern.counts["tp"] for _, pattern in found],
            "absent": [pattern.counts["fp"] for _, pattern in found],
            "lr": _known(figures.estimate),
            "ci_low": _known(figures.limits.low),
            "ci_high": _known(figures.limits.high),
            "model_lr": pl.Series([pattern.model_lr for _, pattern in found], dtype=pl.Float64),
            "n": figures.n.astype(np.int64),
            "participants": figures.participants.astype(np.int64),
            "flag": flag,
            "note": note,
        }
    )


def _words(
    table: TwoByTwo,
    figures: Figures,
    conditions: Sequence[str],
    protocol: Protocol,
    first: Sequence[Remark] = (),
) -> tuple[pl.Series, pl.Series]:
    """Flag and note of each row."""
    nobody = np.zeros(len(conditions), dtype=bool)
    clinical = np.array([protocol.is_clinical(condition) for condition in conditions])
    said = remarks(table, figures, is_role=nobody, minimum=protocol.display.min_participants)
    flag, note = in_words([*first, *said, Remark("clinical_reference", CLINICAL, clinical)])
    return pl.Series(flag).replace("", None), pl.Series(note).replace("", None)


def _said_of_dependence(found: Dependence, condition: str, protocol: Protocol) -> dict[str, str | None]:
    flag, said = None, []
    if not found.n:
        flag, said = "none_verified", [f"No verified «noun» with the condition {found.given} and both findings."]
    elif found.phi is None:
        flag, said = "not_estimable", ["One of the two findings is the same in every «noun»."]
    elif found.ci_low is None:
        flag, said = "not_estimable", ["No interval: one person only, or two findings that always agree or disagree."]
    if 0 < found.participants < protocol.display.min_participants:
        flag = flag or "too_few"
        said.append(f"Fewer than {protocol.display.min_participants} participants: too few to estimate.")
    if protocol.is_clinical(condition):
        flag = flag or "clinical_reference"
        said.append(CLINICAL)
    return {"flag": flag, "note": " ".join(said) or None}


def _known(values: FloatArray) -> pl.Series:
    """Values with null for what is NaN or infinite."""
    return pl.Series(np.where(np.isfinite(values), values, np.nan), nan_to_null=True)
