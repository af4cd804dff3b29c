"""The supervisors' page: what the learners as a group find hard, with how it is done; it names nobody."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.errors import ReportError
from examtally.registry.scratch import scratch
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.aims import fold
from examtally.reporting.engine.numbers import coefficient, counted, listed, percent, percent_range
from examtally.reporting.engine.renderer import render
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.results import Results, read_results

FEWEST_LEARNERS = 3
"""Learners behind the page, at least: fewer could be recognized."""
MOST = 3
_GROUP = "learner_supervisor"
_TABLES = ("agreement", "cohort_summary", "tallies")
_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("observed_agreement", "Observed", "Agreement with a supervisor"),
    Column("positive_agreement", "Positives", "Agreement with a supervisor"),
    Column("negative_agreement", "Negatives", "Agreement with a supervisor"),
    Column("gwet_ac1", "AC1\nbeyond chance"),
    Column("leaning", "Learners find it positive", words=True),
    Column("pairs", "Pairs"),
)


@dataclass(frozen=True)
class Met:
    """One maneuver as learners and supervisors found it on the same joints."""

    maneuver: Maneuver
    rows: dict[str, dict[str, Any]]

    @property
    def leaning(self) -> str:
        """Whether learners call it positive oftener or more seldom than supervisors, where the limits say so."""
        row = self.rows["bias_index"]
        if row["ci_low"] is None or row["ci_low"] <= 0 <= row["ci_high"]:
            return "as often"
        return "more often" if row["ci_low"] > 0 else "less often"


def render_supervisor(
    results_dir: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the supervisors' page as `supervisor`; return the pages in the order of `formats`.

    The page is made from rows about nobody in particular. Raises ResultsError where the folder is no whole results
    folder and ReportError where fewer than three learners stand behind it; nothing is written then.
    """
    results = read_results(results_dir)
    if progress is not None:
        progress("rendering the supervisors' page")
    with scratch() as inner:
        kept = {name: _of_all(results.tables[name]) for name in _TABLES if name in results.tables}
        folder = Results(kept, results.provenance).write(inner / "results")
        return render("supervisor", folder, out_dir, formats=formats)


def _of_all(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows about nobody in particular."""
    return frame.filter(pl.col("group_by").is_in(["overall", _GROUP])) if "group_by" in frame.columns else frame


def learners(audit: Audit) -> int:
    """Examiners whose role learns, or once did; raises ReportError where they are too few for a page about them.

    So it does where an earlier version made the results and did not count them.
    """
    if not audit.is_counted("learners"):
        raise ReportError("these results were made by another version, which did not count learners; analyze again")
    found = audit.summed("learners")
    if found < FEWEST_LEARNERS:
        raise ReportError(
            f"fewer than {FEWEST_LEARNERS} learners stand behind it, and each could be recognized; wait for more, or "
            "give each the own sheet with `examtally report examiner`"
        )
    return found


def opening(audit: Audit) -> str:
    """What is hard, of the core maneuvers and of the others, in a few sentences."""
    hard = [inside_sentence(one.maneuver.name) for one in hardest(audit)]
    behind = f"{counted(learners(audit), 'learner')} examined the same «nouns» as a supervisor. Nobody is named here."
    if not hard:
        return f"{behind} Too few pairs for a figure yet, or agreement is as asked everywhere."
    first = "this" if len(hard) == 1 else "these"
    said = f"Of the core maneuvers they disagree with supervisors most on **{listed(hard)}**: teach {first} first."
    others = [f"{inside_sentence(one.maneuver.name)} ({_observed(one)})" for one in _low(audit, core=False)[:MOST]]
    return f"{behind} {said}{f' Of the others, on {listed(others)}.' if others else ''}"


def hardest(audit: Audit) -> list[Met]:
    """At most three core maneuvers with the lowest agreement whose interval lies wholly under what is asked."""
    return _low(audit, core=True)[:MOST]


def _low(audit: Audit, *, core: bool) -> list[Met]:
    least, named = audit.protocol.agreement.least, audit.protocol.core
    low = [one for one in met(audit) if (one.maneuver.code in named) is core and _high(one) < least]
    return sorted(low, key=lambda one: (_high(one), one.maneuver.code))


def _observed(one: Met) -> str:
    return percent(one.rows["observed_agreement"]["estimate"])


def met(audit: Audit) -> list[Met]:
    """Every maneuver with enough people behind its pairs, in catalogue order."""
    rows = audit.table("agreement").filter(pl.col("participants") >= audit.min_participants, group_by=_GROUP)
    by: dict[str, dict[str, dict[str, Any]]] = {}
    for row in rows.iter_rows(named=True):
        by.setdefault(row["maneuver"], {})[row["statistic"]] = row
    return [Met(one, by[code]) for code, one in audit.catalogue.maneuvers.items() if code in by]


def practise(audit: Audit) -> str:
    """For each of the hardest: which way learners err, and how it is done."""
    return "\n\n".join(_told(one) for one in hardest(audit)) or "Nothing stands out from what is asked."


def agreement(audit: Audit) -> str:
    """Agreement with supervisors, positives and negatives apart; core maneuvers, others under a fold."""
    found = met(audit)
    core = [one for one in found if one.maneuver.code in audit.protocol.core]
    others = [one for one in found if one not in core]
    if not found:
        return f"Fewer than {counted(audit.min_participants, 'patient')} were examined by a learner and a supervisor."
    text = _table(core, "Learners and supervisors: core maneuvers") if core else ""
    return text + (fold("Other maneuvers", _table(others, "Learners and supervisors: others")) if others else "")


def _told(one: Met) -> str:
    row = one.rows["observed_agreement"]
    lines = [
        f"### {one.maneuver.name}",
        f"The same finding in {percent(row['estimate'])} of {counted(row['pairs'], 'pair')}; learners find it positive "
        f"{one.leaning} {'as' if one.leaning == 'as often' else 'than'} supervisors do. The supervisor is not the "
        "truth: look at a case together.",
        f"Positive means: {one.maneuver.positive}",
        f"> {one.maneuver.technique}",
        *(f"- {caution}" for caution in one.maneuver.cautions),
    ]
    return "\n\n".join(lines)


def _table(found: list[Met], caption: str) -> str:
    return table(pl.DataFrame([_cells(one) for one in found]), _COLUMNS, caption=f"{caption}, with 95% limits")


def _cells(one: Met) -> dict[str, str]:
    shares = {name: _share(row) for name, row in one.rows.items() if name.endswith("_agreement")}
    own = one.rows["gwet_ac1"]
    named = {"maneuver": one.maneuver.name, "gwet_ac1": coefficient(own["estimate"]), "leaning": one.leaning}
    return shares | named | {"pairs": str(own["pairs"])}


def _share(row: dict[str, Any]) -> str:
    return f"{percent(row['estimate'])}\n{percent_range(row['ci_low'], row['ci_high'])}"


def _high(one: Met) -> float:
    high = one.rows["observed_agreement"]["ci_high"]
    return 1.0 if high is None else float(high)
