"""An agreement day: its record set, each examiner's own order of the participants, and the form that follows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from random import Random
from typing import Any

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import Rule, rules_for
from examtally.contracts.records.tables import Table
from examtally.contracts.yamlfile import load_yaml
from examtally.errors import ExamtallyError
from examtally.resources import resource
from examtally.workbook.exam_form import offline_page
from examtally.workbook.form import in_words, workbook_form
from examtally.workbook.layout import end_points

MOST_MANEUVERS = 12
_KEY = ("examiner_id", "participant_id", "side", "maneuver")


@dataclass(frozen=True)
class Day:
    """A planned day: maneuvers in exam order, and the participants' sides as each examiner sees them."""

    maneuvers: tuple[Maneuver, ...]
    orders: Mapping[str, tuple[tuple[str, str], ...]]
    seed: int


@lru_cache(maxsize=8)
def readings_table(contract: Contract) -> Table:
    """The table of readings of a contract; raises ContractError where the declaration is wrong."""
    top = load_yaml(resource("schemas") / "agreement" / "readings.yaml").record(
        required=("name", "title", "description", "key", "columns")
    )
    known = {f"{table.name}.{one.name}": one for table in contract.tables.values() for one in table.fields}
    own = [f"findings.{node.at('name').text()}" for node in contract.catalogue.columns.get("findings", ())]
    names = [*top["columns"].codes("a column of a record table", tuple(known)), *own]
    fields = tuple(known[name] for name in names)
    return Table(
        name=top["name"].text(),
        title=top["title"].text(),
        description=top["description"].text(),
        optional=False,
        fields=fields,
        primary_key=top["key"].codes("a column of this table", [one.name for one in fields]),
        foreign_keys=(),
    )


def readings_rules(contract: Contract) -> tuple[Rule, ...]:
    """The rules of a line of readings."""
    table = readings_table(contract)
    return rules_for(Contract({table.name: table}, contract.catalogue), table.name)


def plan_day(
    contract: Contract, maneuvers: Sequence[str], *, examiners: int, participants: int, sides: Sequence[str], seed: int
) -> Day:
    """Draw the orders of a day: at any time no two examiners are with the same participant; the seed gives them again.

    Examiners are E01, E02 …, participants P01, P02 …; who that is stays on a list of the place. `sides` are those to be
    examined of each participant. Raises ExamtallyError for maneuvers that are not in the catalogue and numbers that
    make no day.
    """
    known = {one.code: one for one in contract.catalogue.in_exam_order if one.purpose != "safety"}
    strange = [code for code in maneuvers if code not in known]
    if strange or not 0 < len(maneuvers) <= MOST_MANEUVERS:
        problem = f"{', '.join(strange)} is not examined on such a day" if strange else f"{len(maneuvers)} are named"
        raise ExamtallyError(f"--maneuvers: {problem}; name 1 to {MOST_MANEUVERS} of {', '.join(known)}")
    if not 2 <= examiners <= participants <= 99:
        raise ExamtallyError(
            f"{examiners} examiners of {participants} participants make no day; take 2 or more examiners, and at least "
            "as many participants (at most 99), so that each examiner is with somebody else"
        )
    draw = Random(seed)
    people = [f"P{number:02}" for number in range(1, participants + 1)]
    times, starts = list(range(participants)), list(range(participants))
    for one in (people, times, starts):
        draw.shuffle(one)
    orders = {
        f"E{number + 1:02}": tuple(
            (people[(starts[number] + time) % participants], side) for time in times for side in sides
        )
        for number in range(examiners)
    }
    return Day(tuple(one for one in known.values() if one.code in maneuvers), orders, seed)


def day_form(contract: Contract, day: Day) -> str:
    """The page on which each examiner writes, in the own order; it saves a CSV file of readings and sends nothing."""
    return offline_page("agreement_form", "Agreement day", day_content(contract, day))


def day_content(contract: Contract, day: Day) -> dict[str, Any]:
    """What the form asks, every code and word from the contract."""
    table = readings_table(contract)
    result = table.field("result")
    typed = workbook_form().typed_for("findings", result)
    return {
        "caution": contract.catalogue.sheet_caution,
        "orders": {examiner: [list(one) for one in order] for examiner, order in day.orders.items()},
        "maneuvers": [_asked(one) for one in day.maneuvers],
        "results": [
            {"code": code, "label": typed[code].replace("-", "\u2212"), "says": in_words(code)}
            for code in result.enum or ()
        ],
        "endPoints": [{"code": code, "label": code} for code in end_points(contract)],
        "key": list(_KEY),
        "recorded": [name for name in table.names if name not in _KEY],
    }


def _asked(one: Maneuver) -> dict[str, Any]:
    return {
        "code": one.code,
        "label": one.name,
        "positive": one.positive,
        "unit": one.unit,
        "measure": one.measure_name,
        "grades": [{"code": str(grade), "label": str(grade), "says": says} for grade, says in one.grades.items()],
        "endPoint": one.end_point,
        "signs": [{"code": sign, "label": in_words(sign)} for sign in one.signs] if len(one.signs) > 1 else [],
    }
