"""What contract and protocol say of each condition, as small tables that the queries join.

Every condition of the catalogue is one bit of a 64-bit number, in catalogue order; `none`, the condition of maneuvers
that speak of none, takes the next bit. What holds for an exam and some conditions is one such number (`index_bits`,
`present_bits`, …), so that an exam stays one row whatever the number of conditions.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import reduce
from operator import or_

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine
from examtally.errors import ContractError

WITHOUT_CONDITION = "none"
_FOLLOW_UP = "follow_up"
_MOST_CONDITIONS = 63
_DAYS_A_PERIOD = 30


@dataclass(frozen=True)
class Acceptance:
    """A modality that settles a condition: its rank (0 most authoritative) and the statuses it may settle.

    With `blinded`, only a reader who did not know the exam counts.
    """

    modality: str
    rank: int
    statuses: tuple[str, ...]
    blinded: bool


@dataclass(frozen=True)
class ConditionRule:
    """How one condition is settled. `window` is None, and nothing is accepted, where nothing settles it.

    `barriers` are the modalities whose reading, before the exam, bars the exam from this condition. `parts` holds the
    bits of the conditions it is derived from, 0 where it stands for itself.
    """

    code: str
    bit: int
    window: tuple[int, int] | None
    immature_periods: int
    accepted: tuple[Acceptance, ...]
    barriers: tuple[str, ...]
    parts: int


def condition_rules(contract: Contract, protocol: Protocol) -> tuple[ConditionRule, ...]:
    """Return the rule of every condition in catalogue order, and of `none` last."""
    conditions = contract.catalogue.conditions
    if len(conditions) > _MOST_CONDITIONS:
        raise ContractError(
            f"catalogue {contract.catalogue.joint}: {len(conditions)} conditions are more than the analysis holds; "
            f"declare at most {_MOST_CONDITIONS}"
        )
    bits = {code: 1 << place for place, code in enumerate([*conditions, WITHOUT_CONDITION])}
    rules = [_rule(code, bits, contract, protocol) for code in conditions]
    return (*rules, ConditionRule(WITHOUT_CONDITION, bits[WITHOUT_CONDITION], None, 0, (), (), 0))


def write_rules(con: Engine, contract: Contract, rules: tuple[ConditionRule, ...]) -> None:
    """Write the temporary tables `conditions`, `pairs`, `accepted_modalities` and `barring_modalities`."""
    places = {rule.code: place for place, rule in enumerate(rules)}
    _table(
        con,
        "conditions (place integer, condition varchar, bit ubigint, first_day integer, last_day integer, "
        "immature_periods integer)",
        [(places[r.code], r.code, r.bit, *(r.window or (None, None)), r.immature_periods) for r in rules],
    )
    _table(
        con,
        "pairs (pair usmallint, condition varchar, maneuver varchar, bit ubigint)",
        [
            (place, condition, maneuver, rules[places[condition]].bit)
            for place, (condition, maneuver) in enumerate(contract.catalogue.pairs)
        ],
    )
    _table(
        con,
        "accepted_modalities (bit ubigint, modality varchar, rank integer, status varchar, is_blinded boolean)",
        [(r.bit, a.modality, a.rank, status, a.blinded) for r in rules for a in r.accepted for status in a.statuses],
    )
    _table(
        con,
        "barring_modalities (bit ubigint, modality varchar, first_day integer, last_day integer)",
        [(r.bit, modality, *(r.window or (0, 0))) for r in rules for modality in r.barriers],
    )


def all_bits(rules: Iterable[ConditionRule]) -> int:
    """Return the number with the bit of every condition of `rules`, 0 where there is none."""
    return reduce(or_, (rule.bit for rule in rules), 0)


def _rule(code: str, bits: dict[str, int], contract: Contract, protocol: Protocol) -> ConditionRule:
    condition = contract.catalogue.conditions[code]
    window = protocol.windows.get(code)
    chosen = protocol.reference.accepted.get(code, ())
    return ConditionRule(
        code=code,
        bit=bits[code],
        window=window,
        immature_periods=max(protocol.maturity.immature_periods, -(-window[1] // _DAYS_A_PERIOD)) if window else 0,
        accepted=tuple(_acceptance(code, modality, rank, contract, protocol) for rank, modality in enumerate(chosen)),
        barriers=tuple(dict.fromkeys([*condition.modalities, *chosen])),
        parts=reduce(or_, (bits[part] for part in condition.derived_from), 0),
    )


def _acceptance(code: str, modality: str, rank: int, contract: Contract, protocol: Protocol) -> Acceptance:
    conditions = contract.catalogue.conditions
    statuses = contract.tables["references"].field("status").enum or ()
    sources = (conditions[code], *(conditions[part] for part in conditions[code].derived_from))
    limits = [settled.only for source in sources for settled in source.settled_by if settled.modality == modality]
    kept = tuple(status for status in statuses if not limits or status in limits[0])
    blinded = protocol.reference.blinded_readers_only or modality == _FOLLOW_UP
    return Acceptance(modality, rank, kept, blinded)


def _table(con: Engine, declaration: str, rows: list[tuple[object, ...]]) -> None:
    con.execute(f"create temp table {declaration}")
    if rows:
        line = f"({', '.join('?' * len(rows[0]))})"
        name = declaration.split(" ", 1)[0]
        con.execute(
            f"insert into {name} values {', '.join([line] * len(rows))}", [value for row in rows for value in row]
        )
