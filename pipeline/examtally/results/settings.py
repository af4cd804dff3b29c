"""Under which protocol and catalogue the records of a registry are read: of one joint, and with every code known."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from examtally.contracts.catalogue.catalogue import joints
from examtally.contracts.contract import DEFAULT_JOINT, Contract, kept_contract, load_contract, named_contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol, protocol_folder, protocol_node
from examtally.contracts.records.engine import Engine
from examtally.errors import ResultsError
from examtally.registry.joints import chosen_joint, joints_held, newest_catalogue, undeclared_codes


def settings_for(
    con: Engine,
    source: Protocol | Path | str | Mapping[str, Any] | None,
    *,
    joint: str | None = None,
    catalogue: Path | None = None,
) -> tuple[Protocol, Contract]:
    """Return the protocol, and the contract that its joint has, for the registry attached as `reg`.

    `joint` and `catalogue` go before what the protocol names. Without any, the joint is the only one of the registry,
    and the catalogue the one that its newest records were taken in under. Raises RegistryError where several joints are
    there and none is named, ResultsError where records hold codes that the catalogue lacks.
    """
    if isinstance(source, Protocol):
        protocol, contract = source, _of(con, source.joint)
        if source.catalogue and source.catalogue != contract.catalogue.hash:
            raise ResultsError(
                "the protocol was read under a catalogue that the registry does not know; analyze with the file of the "
                "protocol, which names it"
            )
    else:
        contract = _asked(con, source, joint, catalogue)
        given = dict(source) if isinstance(source, Mapping) else source
        protocol = load_protocol(given, contract)
    check_codes(con, contract)
    return protocol, contract


def check_codes(con: Engine, contract: Contract) -> None:
    """Raise ResultsError where stored records of the joint hold codes that its catalogue lacks: none is left out."""
    held = joints_held(con)
    if held and contract.catalogue.joint not in held:
        raise ResultsError(
            f"the protocol speaks of the {contract.catalogue.joint}, the registry holds {', '.join(held)}; write "
            f"`joint: {held[0]}` in the protocol"
        )
    lacking = undeclared_codes(con, contract)
    if lacking:
        named = "; ".join(f"{column}: {', '.join(codes)}" for column, codes in lacking.items())
        raise ResultsError(
            f"the registry holds codes that the catalogue at hand lacks ({named}); name the catalogue that the records "
            "were taken in under, as `catalogue: FILE` in the protocol"
        )


def _asked(
    con: Engine,
    source: Path | str | Mapping[str, Any] | None,
    joint: str | None,
    catalogue: Path | None,
) -> Contract:
    if catalogue is not None:
        return load_contract(file=catalogue)
    top = protocol_node(source)
    if joint is None and top.has("catalogue"):
        return named_contract(top, protocol_folder(source))
    if joint is None and top.has("joint"):
        joint = top.at("joint").code("a joint", dict.fromkeys((*joints(), *joints_held(con))))
    return _of(con, chosen_joint(con, joint, DEFAULT_JOINT))


def _of(con: Engine, joint: str) -> Contract:
    """The contract of a joint: of the group's own catalogue where its newest records came under one."""
    taken = newest_catalogue(con, joint)
    return kept_contract(joint, taken.local if taken else "")
