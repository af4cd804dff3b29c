"""What an audit report reads: one results folder, the clinical catalogue and the words of the place."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Catalogue, Condition, Maneuver
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.tables import Field
from examtally.contracts.results import empty
from examtally.reporting.engine.estimate import Estimate, Span
from examtally.reporting.engine.project import given
from examtally.reporting.engine.wording import Wording, band_order, read_wording, speak_of
from examtally.results import Results, read_results

_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
_DIGITS = "23456789"


def report_pseudonyms(examiners: Sequence[str], source: random.Random | None = None) -> dict[str, str]:
    """Give each examiner a code of a letter and a digit that nothing leads back from; longer ones for many examiners.

    The draw is from the system's own randomness, so that nobody can repeat it; `source` makes a test repeatable.
    """
    draw = source or random.SystemRandom()
    places = [_LETTERS, _DIGITS]
    while len(examiners) > _room(places) // 2:
        places.append(_DIGITS)
    codes: set[str] = set()
    while len(codes) < len(examiners):
        codes.add("".join(draw.choice(place) for place in places))
    shuffled = sorted(codes)
    draw.shuffle(shuffled)
    return dict(zip(examiners, shuffled, strict=True))


def _room(places: Sequence[str]) -> int:
    room = 1
    for place in places:
        room *= len(place)
    return room


BOTH = ("sensitivity", "specificity")
Key = tuple[str, ...]


def open_audit(results_dir: Path | str = "results", reports_dir: Path = Path()) -> Audit:
    """Read everything the cells of a report need; they run in the folder of the reports."""
    results = read_results(given(results_dir))
    speak_of(results.contract.catalogue.noun)
    protocol = results.protocol
    return Audit(results, results.contract, protocol, read_wording(reports_dir))


@dataclass(frozen=True, eq=False)
class Audit:
    """The results of one analysis with the words to tell them in."""

    results: Results
    contract: Contract
    protocol: Protocol
    wording: Wording

    @property
    def catalogue(self) -> Catalogue:
        """Conditions and maneuvers in catalogue order."""
        return self.contract.catalogue

    @property
    def min_participants(self) -> int:
        """Participants in a denominator below which only counts are shown."""
        return self.protocol.display.min_participants

    @cached_property
    def settled(self) -> tuple[Condition, ...]:
        """Conditions that some test settles under the protocol of the analysis."""
        accepted = self.protocol.reference.accepted
        return tuple(item for code, item in self.catalogue.conditions.items() if accepted.get(code))

    @cached_property
    def unsettled(self) -> tuple[Condition, ...]:
        """Conditions that no test settles."""
        return tuple(item for item in self.catalogue.conditions.values() if item not in self.settled)

    @cached_property
    def reportable(self) -> tuple[Condition, ...]:
        """Settled conditions with a maneuver whose sensitivity and specificity can both be shown."""
        return tuple(item for item in self.settled if self._is_reportable(item))

    def maneuvers(self, condition: Condition) -> tuple[Maneuver, ...]:
        """Maneuvers meant for a condition, in catalogue order."""
        return tuple(item for item in self.catalogue.maneuvers.values() if condition.code in item.conditions)

    def core_maneuvers(self, condition: Condition) -> tuple[Maneuver, ...]:
        """The core maneuvers for a condition, or where it has none the one with the most verified knees.

        That one is looked for among those that name the condition first, if there are any.
        """
        intended = self.maneuvers(condition)
        core = tuple(item for item in intended if item.core)
        if core or not intended:
            return core
        own = tuple(item for item in intended if item.conditions[0] == condition.code) or intended
        return (max(own, key=lambda item: self.tally(condition.code, item.code)["verified"]),)

    def estimate(
        self, condition: str, maneuver: str, measure: str, group_by: str = "overall", group: str = "all"
    ) -> Estimate:
        """One figure on verified knees as they are; `Estimate.absent` where the analysis wrote none."""
        return self._estimate("none", measure, condition, maneuver, group_by, group)

    def corrected(self, condition: str, maneuver: str, measure: str) -> Estimate:
        """The same of everybody, corrected for verification bias alone; `Estimate.absent` where there is none."""
        return self._estimate("verification", measure, condition, maneuver, "overall", "all")

    def pooled(
        self, adjustment: str, condition: str, maneuver: str, measure: str, group_by: str, group: str
    ) -> Estimate:
        """A figure with chance taken out, by one of the pooled adjustments."""
        return self._estimate(adjustment, measure, condition, maneuver, group_by, group)

    def reference_corrected(self, condition: str, maneuver: str, measure: str) -> Estimate:
        """The same, corrected for an imperfect reference standard as well; `Estimate.absent` for none."""
        return self._estimate("reference_error", measure, condition, maneuver, "overall", "all")

    def bounds(self, condition: str, maneuver: str, measure: str) -> Span | None:
        """The least and the most that knees without a result allow; None where there is nothing to show."""
        shown = self._estimate("bounds", measure, condition, maneuver, "overall", "all").shown
        return self._bounds.get((condition, maneuver, measure)) if shown else None

    @cached_property
    def leading(self) -> Mapping[tuple[str, str], dict[str, Any]]:
        """The rows of the leading estimate by condition and maneuver, overall."""
        rows = self.table("leading").filter(group_by="overall").iter_rows(named=True)
        return {(row["condition"], row["maneuver"]): row for row in rows}

    def leading_in(self, condition: str, maneuver: str, group_by: str, group: str) -> dict[str, Any] | None:
        """The row of the leading estimate of one group; None where there is none."""
        return self._leading_groups.get((condition, maneuver, group_by, group))

    @cached_property
    def models(self) -> Mapping[str, dict[str, Any]]:
        """What the model behind the leading estimate is made of, by condition."""
        return {row["condition"]: row for row in self.table("bias_models").iter_rows(named=True)}

    @cached_property
    def is_corrected(self) -> bool:
        """Whether a corrected figure can be shown."""
        return any(
            self.corrected(condition.code, maneuver.code, measure).is_usable
            for condition in self.reportable
            for maneuver in self.maneuvers(condition)
            for measure in BOTH
        )

    def tally(self, condition: str, maneuver: str, group_by: str = "overall", group: str = "all") -> Mapping[str, int]:
        """The counts behind a pair, zeros where the analysis wrote none."""
        return self._tallies.get((condition, maneuver, group_by, group), self._nothing)

    def ends(self, condition: str, maneuver: str) -> Mapping[str, int]:
        """Exams of a pair by the reason under which they ended; empty where there is no flow."""
        return self._flow.get((condition, maneuver), {})

    def table(self, name: str) -> pl.DataFrame:
        """A result table, without rows where the analysis was made without it."""
        found = self.results.tables.get(name)
        return empty(name) if found is None else found

    def groups(self, group_by: str) -> list[str]:
        """The groups of a grouping in their declared order, `unknown` last."""
        tallies = self.table("tallies")
        seen = tallies.filter(pl.col("group_by") == group_by)["group"].unique().to_list()
        return sorted(seen, key=lambda group: self._place(group_by, group))

    def group_name(self, group_by: str, group: str) -> str:
        """How a group is called."""
        field = self._field(group_by)
        declared = field.labels.get(group) if field is not None else None
        return declared or self._since_onset.get(group) or self.wording.word("group", group)

    @cached_property
    def codes(self) -> Mapping[str, str]:
        """The code of each examiner, drawn for this report and the same throughout it; in the order of the codes."""
        people = dict.fromkeys([*self.groups("examiner"), *self.table("learning")["examiner_id"]])
        return dict(sorted(report_pseudonyms(list(people)).items(), key=lambda pair: pair[1]))

    def summed(self, item: str, group: str = "all") -> int:
        """One count of who was studied, 0 where there is none."""
        return self._summary.get((item, group), 0)

    def is_counted(self, item: str) -> bool:
        """Whether the version that made these results counted it."""
        return (item, "all") in self._summary

    @cached_property
    def periods(self) -> list[str]:
        """The reporting periods with an exam that can count, oldest first."""
        return self.groups("period")

    @cached_property
    def _since_onset(self) -> dict[str, str]:
        """Stages of acuity with the days that the protocol gives them."""
        bands = self.protocol.groups.bands("acuity")
        return {code: f"{code}, {span}" for code, span in zip(bands.codes, bands.spans("days"), strict=True)}

    def _is_reportable(self, condition: Condition) -> bool:
        return any(
            all(self.estimate(condition.code, maneuver.code, measure).is_usable for measure in BOTH)
            for maneuver in self.maneuvers(condition)
        )

    def _field(self, name: str) -> Field | None:
        fields = (field for table in self.contract.tables.values() for field in table.fields)
        return next((field for field in fields if field.name == name and field.enum), None)

    def _place(self, group_by: str, group: str) -> tuple[bool, int, tuple[int, ...], str]:
        field = self._field(group_by)
        declared = list(field.enum or ()) if field is not None else list(self.wording.words["group"])
        place = declared.index(group) if group in declared else len(declared)
        return group == "unknown", place, band_order(group), group

    @cached_property
    def _flow(self) -> dict[tuple[str, str], dict[str, int]]:
        ends: dict[tuple[str, str], dict[str, int]] = {}
        for row in self.table("flow").iter_rows(named=True):
            ends.setdefault((row["condition"], row["maneuver"]), {})[row["reason"]] = row["exams"]
        return ends

    @cached_property
    def _summary(self) -> dict[tuple[str, str], int]:
        rows = self.table("cohort_summary").iter_rows(named=True)
        return {(row["item"], row["group"]): int(row["value"] or 0) for row in rows}

    def _estimate(self, adjustment: str, measure: str, *pair_and_group: str) -> Estimate:
        place = self._places.get((adjustment, measure, *pair_and_group))
        return Estimate.absent(measure) if place is None else Estimate.of(self._figures.row(place, named=True))

    @cached_property
    def _figures(self) -> pl.DataFrame:
        corrections = ["verification", "bounds", "reference_error"]
        corrected = (pl.col("group_by") == "overall") & pl.col("adjustment").is_in(corrections)
        pooled = pl.col("adjustment").is_in(["pooled", "pooled_bias_adjusted"])
        return self.table("accuracy").filter((pl.col("adjustment") == "none") | corrected | pooled)

    @cached_property
    def _places(self) -> dict[Key, int]:
        """The row of a figure among so many that a page shows one in twenty."""
        keys = self._figures.select("adjustment", "measure", "condition", "maneuver", "group_by", "group")
        return {key: place for place, key in enumerate(keys.iter_rows())}

    @cached_property
    def _leading_groups(self) -> dict[Key, dict[str, Any]]:
        return {_key(row): row for row in self.table("leading").iter_rows(named=True)}

    @cached_property
    def _bounds(self) -> dict[Key, Span]:
        found = self.table("verification_bounds").filter(group_by="overall").drop_nulls(["lower", "upper"])
        columns = found.select("condition", "maneuver", "measure", "lower", "upper")
        return {tuple(key): (lower, upper) for *key, lower, upper in columns.iter_rows()}

    @cached_property
    def _tallies(self) -> dict[Key, Mapping[str, int]]:
        return {_key(row): row for row in self.table("tallies").iter_rows(named=True)}

    @cached_property
    def _nothing(self) -> Mapping[str, int]:
        return {name: 0 for name, kind in self.table("tallies").schema.items() if kind.is_integer()}


def _key(row: Mapping[str, Any]) -> Key:
    return row["condition"], row["maneuver"], row["group_by"], row["group"]
