"""The whole contract: the record tables and the clinical catalogue of one joint, read once."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from pathlib import Path
from types import MappingProxyType

from examtally.contracts.catalogue.catalogue import Catalogue, joints, load_catalogue
from examtally.contracts.catalogue.local import from_content, load_local
from examtally.contracts.records.tables import Table, load_tables, of_all_joints
from examtally.contracts.yamlfile import Node
from examtally.errors import ContractError
from examtally.resources import resource

DEFAULT_JOINT = "knee"
"""The joint where nothing names one; registries of the first forms hold no other."""


@dataclass(frozen=True, eq=False)
class Contract:
    """What every stage reads; `tables` stand in loading order, so that a key is stored before what refers to it.

    Where records of several joints come together, `joints` holds the contract of each; `tables` have the columns of
    all, and `catalogue` is that of the joint of a line that names none.
    """

    tables: Mapping[str, Table]
    catalogue: Catalogue
    joints: Mapping[str, Contract] = field(default_factory=dict)

    @property
    def of_joint(self) -> Contract:
        """The contract of the joint of a line that names none, alone."""
        return self.joints.get(self.catalogue.joint, self)

    def among(self, named: Collection[str]) -> Contract:
        """This contract, for records of these joints alone."""
        return _among(self, frozenset(named))


@lru_cache(maxsize=64)
def _among(contract: Contract, named: frozenset[str]) -> Contract:
    """One contract for equal questions: the rules of a contract are made once."""
    kept = {code: one for code, one in contract.joints.items() if code in named}
    return replace(contract, joints=MappingProxyType(kept))


def load_contract(joint: str = DEFAULT_JOINT, file: Path | str | None = None) -> Contract:
    """Return the contract for `joint`, or for the group's own catalogue in `file`.

    Raises ContractError where a declared file is missing or wrong.

    For example `et.load_contract("knee").catalogue.maneuvers["lachman"].name`.
    """
    return kept_contract(joint) if file is None else contract_of(load_local(Path(file)))


def contract_for(joint: str | None = None, file: Path | str | None = None) -> Contract:
    """Return the contract of a joint that is named, or of a group's own catalogue; of the default without either."""
    found = load_contract(joint or DEFAULT_JOINT, file)
    if joint not in (None, found.catalogue.joint):
        raise ContractError(f"the catalogue is of the {found.catalogue.joint}, not of the {joint}; name one of the two")
    return found


@cache
def kept_contract(joint: str, local: str = "") -> Contract:
    """Return the contract of a catalogue that was kept with records or results: `local` is that of a group's own."""
    return contract_of(from_content(local) if local else load_catalogue(joint))


def named_contract(settings: Node, folder: Path, joint: str = DEFAULT_JOINT) -> Contract:
    """Return the contract that a protocol asks for: of its `catalogue`, or of its `joint`.

    The catalogue is a file in `folder`, or the content of one, as a lock and a bundle keep it.
    """
    file, named = settings.nearest(("catalogue",)), settings.nearest(("joint",))
    if settings.has("catalogue") and isinstance(file.content, str) and file.content:
        content = file.content
        return contract_of(from_content(content)) if content.startswith("{") else load_contract(file=folder / content)
    if settings.has("joint"):
        joint = named.code("a joint", joints())
    return load_contract(joint)


def contract_of(catalogue: Catalogue) -> Contract:
    """Return the contract of a catalogue that has been read."""
    return Contract(load_tables(resource("schemas") / "tables", catalogue), catalogue)


def registry_contract(
    joint: str | None = None, file: Path | str | None = None, kept: Mapping[str, str] = MappingProxyType({})
) -> Contract:
    """Return the contract under which records of every known joint are taken in.

    `kept` holds by joint the content of the group's own catalogue that a registry keeps; it stands for the shipped one.

    `file` is a group's own catalogue, which stands for its joint; `joint` is that of a line that names none: without
    it the joint of the file, or the default.
    """
    own = None if file is None else load_contract(file=Path(file))
    return _of_records(joint, own, frozenset(kept.items()), joints())


@lru_cache(maxsize=16)
def _of_records(
    joint: str | None, own: Contract | None, kept: frozenset[tuple[str, str]], shipped: tuple[str, ...]
) -> Contract:
    local = dict(kept)
    every = sorted({*shipped, *local}, key=lambda code: (code != DEFAULT_JOINT, code))
    known = {code: kept_contract(code, local.get(code, "")) for code in every}
    if own is not None:
        known[own.catalogue.joint] = own
    chosen = joint or (own.catalogue.joint if own else DEFAULT_JOINT)
    if chosen not in known:
        raise ContractError(f"there is no catalogue of the joint '{chosen}'; use one of {', '.join(known)}")
    tables = of_all_joints(chosen, {code: one.tables for code, one in known.items()})
    return Contract(tables, known[chosen].catalogue, MappingProxyType(known))
