"""Short ways to ask where the exams of a hand-made registry end.

A registry in months gets one more exam, of a comparison knee in a later month, so that the windows of the others have
closed; it is left out of what `ends` returns.
"""

from __future__ import annotations

from collections import Counter
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


def ends(records: Records, condition: str = "ligament", maneuver: str = "drawer", **protocol: Any) -> dict[str, int]:
    """The reasons that exams end under, with their number, where there are any."""
    with cohort_of(records, **protocol) as cohort:
        return reasons(cohort, condition, maneuver)


def reasons(cohort: Cohort, condition: str, maneuver: str) -> dict[str, int]:
    """The same of a cohort."""
    flow = cohort.flow().filter(condition=condition, maneuver=maneuver)
    found = Counter(dict(flow.select("reason", "exams").iter_rows()))
    return dict(+(found - Counter(["comparison_knee"])))


def tally(records: Records, group_by: str = "overall", group: str = "all", **protocol: Any) -> dict[str, Any]:
    """The tallies of the drawer for the ligament in one group."""
    with cohort_of(records, **protocol) as cohort:
        rows = cohort.tallies().filter(
            pl.col("group") == group, condition="ligament", maneuver="drawer", group_by=group_by
        )
    return rows.row(0, named=True)
