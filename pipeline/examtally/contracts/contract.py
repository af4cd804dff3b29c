"""The whole contract: the record tables and the clinical catalogue of one joint, read once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from examtally.contracts.catalogue.catalogue import Catalogue, load_catalogue
from examtally.contracts.records.tables import Table, load_tables
from examtally.resources import resource


@dataclass(frozen=True, eq=False)
class Contract:
    """What every stage reads; `tables` stand in loading order, so that a key is stored before what refers to it."""

    tables: Mapping[str, Table]
    catalogue: Catalogue


@cache
def load_contract(joint: str = "knee") -> Contract:
    """Return the contract for `joint`; raises ContractError where a declared file is missing or wrong.

    For example `et.load_contract("knee").catalogue.maneuvers["lachman"].name`.
    """
    catalogue = load_catalogue(joint)
    return Contract(load_tables(resource("schemas") / "tables", catalogue), catalogue)
