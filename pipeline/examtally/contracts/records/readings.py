"""The record set of an agreement day: columns of the record tables, named in `schemas/agreement/readings.yaml`."""

from __future__ import annotations

from functools import lru_cache

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import Rule, rules_for
from examtally.contracts.records.tables import Table
from examtally.contracts.yamlfile import load_yaml
from examtally.resources import resource

NAME = "readings"


@lru_cache(maxsize=8)
def readings_table(contract: Contract) -> Table:
    """The table of readings of a contract; raises ContractError where the declaration is wrong."""
    top = load_yaml(resource("schemas") / "agreement" / "readings.yaml").record(
        required=("name", "title", "description", "key", "columns")
    )
    known = {f"{table.name}.{one.name}": one for table in contract.tables.values() for one in table.fields}
    fields = tuple(known[name] for name in top["columns"].codes("a column of a record table", tuple(known)))
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
