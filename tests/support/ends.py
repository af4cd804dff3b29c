"""Short ways to ask where the exams of a hand-made registry end.

A registry in months gets one more exam, of a comparison knee in a later month, so that the windows of the others have
closed; it is left out of what `ends` returns.
"""

from __future__ import annotations

from collections import Counter
from functools import cached_property
from typing import Any

import polars as pl
from clinic import Records, connect, small_contract

from examtally.cohort.cohort import Cohort, build_cohort
from examtally.contracts.protocol.protocol import load_protocol


def cohort_of(records: Records, **protocol: Any) -> Cohort:
    """The cohort of the records under the small catalogue; `protocol` holds the keys that differ from the defaults."""
    contract = small_contract()
    exams = list(records.rows("exams"))
    if not any(exam["period"].startswith("P") for exam in exams):
        exams += Records().exam("EXLAST", "PTLAST", complaint="no", period="2020-12").rows("exams")
    tables = records.tables | {"exams": exams}
    return build_cohort(connect(contract, tables), contract, load_protocol(protocol, contract))


class _Counted:
    """What was counted of a registry, each frame when it is asked for."""

    def __init__(self, cohort: Cohort) -> None:
        self.cohort = cohort

    @cached_property
    def flow(self) -> pl.DataFrame:
        return self.cohort.flow()

    @cached_property
    def tallies(self) -> pl.DataFrame:
        return self.cohort.tallies()


_last: dict[str, _Counted] = {}


def _counted(records: Records, protocol: dict[str, Any]) -> _Counted:
    """What was counted of the records; the registry that was asked about last is kept for the next question."""
    asked = repr((records.tables, protocol))
    if asked not in _last:
        while _last:
            _last.popitem()[1].cohort.close()
        _last[asked] = _Counted(cohort_of(records, **protocol))
    return _last[asked]


def ends(records: Records, condition: str = "ligament", maneuver: str = "drawer", **protocol: Any) -> dict[str, int]:
    """The reasons that exams end under, with their number, where there are any."""
    return _reasons(_counted(records, protocol).flow, condition, maneuver)


def reasons(cohort: Cohort, condition: str, maneuver: str) -> dict[str, int]:
    """The same of a cohort."""
    return _reasons(cohort.flow(), condition, maneuver)


def _reasons(flow: pl.DataFrame, condition: str, maneuver: str) -> dict[str, int]:
    rows = flow.filter(condition=condition, maneuver=maneuver)
    found = Counter(dict(rows.select("reason", "exams").iter_rows()))
    return dict(+(found - Counter(["comparison_knee"])))


def tally(records: Records, group_by: str = "overall", group: str = "all", **protocol: Any) -> dict[str, Any]:
    """The tallies of the drawer for the ligament in one group."""
    rows = _counted(records, protocol).tallies.filter(
        pl.col("group") == group, condition="ligament", maneuver="drawer", group_by=group_by
    )
    return rows.row(0, named=True)
