"""What an analysis found: the declared tables as frames, their figures, and what they were made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from examtally.contracts.contract import Contract, kept_contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.contracts.results import personal_groups, result_tables
from examtally.results.summary import page, summary

if TYPE_CHECKING:
    from examtally.plots import Plots


@dataclass(frozen=True)
class Provenance:
    """What the tables were made from; the same provenance gives the same bytes.

    `registry` is the fingerprint of the registry's content, `protocol` the resolved protocol as plain data,
    `protocol_hash` its sha256, `seed` that of every resampling, `versions` the packages that computed. `catalogue`
    holds the joint, the hash and, where it is a group's own, the content of the catalogue.
    """

    registry: str
    protocol: Mapping[str, Any]
    protocol_hash: str
    seed: int
    versions: Mapping[str, str]
    catalogue: Mapping[str, str] = field(default_factory=dict)

    @property
    def contract(self) -> Contract:
        """The contract under which the tables were made."""
        return kept_contract(self.protocol["joint"], self.catalogue.get("local", ""))


@dataclass(frozen=True, eq=False)
class Results:
    """The tables of one analysis; each is an attribute (`results.accuracy`), a Polars frame as declared.

    Only tables that were asked for are there. Rows about persons are there only where the analysis was made with them.
    A blank cell is a value that cannot be estimated; the table's `note` or `display` says why. A frame becomes one of
    pandas by `results.accuracy.to_pandas()`. `results.plot` draws, and a notebook shows a short summary.

        results = et.read_results("results")
        lachman = results.accuracy.filter(maneuver="lachman", group_by="overall", adjustment="none")
        lachman.to_pandas()
        results.plot.forest("acl_tear")
    """

    tables: Mapping[str, pl.DataFrame]
    provenance: Provenance

    def __getattr__(self, name: str) -> pl.DataFrame:
        tables: Mapping[str, pl.DataFrame] = self.__dict__.get("tables", {})
        if name in tables:
            return tables[name]
        if name in result_tables():
            raise AttributeError(f"these results were made without the table {name}; analyze again with it")
        raise AttributeError(f"results have no table {name}; there are {', '.join(tables)}")

    def __repr__(self) -> str:
        """The tables there are, and of what; what they were made from is in `provenance`."""
        return f"Results of registry {self.provenance.registry[:12]}: {', '.join(self.tables) or 'no table'}"

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.tables]

    @property
    def protocol(self) -> Protocol:
        """The protocol of the analysis."""
        return load_protocol(self.provenance.protocol, self.contract)

    @property
    def contract(self) -> Contract:
        """The contract of the analysis: record tables and the catalogue of its joint."""
        return self.provenance.contract

    @property
    def has_examiners(self) -> bool:
        """Whether rows about persons are among the tables."""
        return any(split_persons(frame)[1].height for frame in self.tables.values())

    @property
    def plot(self) -> Plots:
        """Figures on matplotlib axes: `results.plot.forest("acl_tear")`, `results.plot.calibration("acl_tear")`."""
        from examtally.plots import Plots

        protocol = self.protocol
        return Plots(self.tables, self.contract, protocol.display.min_participants)

    def _repr_html_(self) -> str:
        """A short summary, as a notebook shows it."""
        return page("Results of an analysis", self.summary_html())

    def summary_html(self) -> str:
        """What was studied, the figures with most people behind them, and where the tables are, as HTML."""
        about = f"Registry {self.provenance.registry[:12]}, protocol {self.provenance.protocol_hash[:12]}"
        return summary(self.tables, self.contract.catalogue, about)

    def write(self, out: Path | str) -> Path:
        """Write the results folder at `out` and return it; see `write_folder`."""
        from examtally.results.folder import write_folder

        return write_folder(self, Path(out))


def split_persons(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part a table into the rows that are about nobody in particular and those about persons, order kept."""
    if "examiner_id" in frame.columns:
        return frame.clear(), frame
    if "group_by" not in frame.columns:
        return frame, frame.clear()
    is_personal = pl.col("group_by").is_in(personal_groups())
    return frame.filter(~is_personal), frame.filter(is_personal)
