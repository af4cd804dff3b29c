"""Commands for a group's own catalogue: maneuvers and conditions added to those that come with the package."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
from examtally.cli.options import Joint
from examtally.cli.stopping import files_at, tell
from examtally.errors import ContractError
from examtally.files import write_whole


def new(
    out: Annotated[Path, typer.Option("--out", help="File to write, .yaml.")] = Path("our_catalogue.yaml"),
    joint: Joint = None,
) -> None:
    """Write a file to begin with: it extends the catalogue of a joint; what may be added stands in it as remarks."""
    from examtally.contracts.contract import DEFAULT_JOINT
    from examtally.contracts.own_catalogue import new_catalogue

    if out.exists():
        raise ContractError(f"{out.name} exists already and may hold your own words; choose another name with --out")
    text = new_catalogue(joint or DEFAULT_JOINT)
    tell(files_at(out))
    write_whole(out, text, is_new=True)
    print(f"{out}: take the # away from what you need. Then: examtally catalogue check {out}")


def check(
    file: Annotated[Path, typer.Argument(help="The group's own catalogue.", show_default=False)],
) -> None:
    """Say everything that is wrong with a catalogue at once, each with an example; else what it adds."""
    from examtally.contracts.own_catalogue import added_codes, check_catalogue, unseen_conditions

    found = check_catalogue(file)
    for fault in found.faults:
        output.complain(fault.line)
        if fault.example:
            output.complain(f"    for example, {fault.example}")
    if found.catalogue is None:
        count = len(found.faults)
        raise ContractError(f"{file.name}: {count} {'fault' if count == 1 else 'faults'}; mend and check again")
    catalogue = found.catalogue
    print(f"{file.name} is a catalogue of the {catalogue.noun.one} (sha256 {catalogue.hash[:16]}…).")
    for section, codes in added_codes(catalogue):
        print(f"New {section}: {', '.join(codes)}")
    for code in unseen_conditions(catalogue):
        print(f"No maneuver speaks of {code}, so no page will show it: name it under `conditions` of a maneuver.")
    print(f"Give it to commands as --catalogue {file}, and name it in the protocol: `catalogue: {file.name}`")
