"""The teaching set as one file that opens from disk: each case asked, answered, and held against the group's ratios."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl

from examtally.analytics.intervals import t_quantile
from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.protocol.teaching import Blueprint, load_blueprint
from examtally.disclosure.ledger import Shown, entered
from examtally.disclosure.release import Approval
from examtally.disclosure.tables import tables_of
from examtally.disclosure.teaching import CLEAR, Case, TeachingSet, check_apart, teaching_set
from examtally.errors import DisclosureError
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.audit_log import entries
from examtally.registry.lock_wait import LockWait
from examtally.reporting.condition_page.ratios import published_ratios
from examtally.reporting.engine.wording import Wording, as_written, inside_sentence, read_wording
from examtally.resources import reports_folder
from examtally.results.settings import settings_for
from examtally.results.teaching import TeachingSource, teaching_source
from examtally.workbook.exam_form import offline_page, write_page

ACTION = "teach"
"""The action of the registry's log under which a teaching set is entered."""
PAGE = "teaching.html"


def write_teaching_set(
    registry: Path,
    out: Path,
    protocol: Protocol | Path | None,
    blueprint: Path | None,
    *,
    approval: Approval | None,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Callable[[str], object] | None = None,
) -> tuple[Path, TeachingSet]:
    """Draw a teaching set, enter it with its approval in the registry's log and write it as `out`/teaching.html.

    `protocol` and `blueprint` are files or None for the defaults; the joint is that of the protocol or the registry.

    Raises DisclosureError without an approval, where too few cases may be shown and where a set of nearly the same
    people went out before; nothing is written or entered then.
    """
    if approval is None:
        raise DisclosureError(
            "a teaching set is made only where the committee approved it: say --approved-by ROLE and --because REASON"
        )
    with open_registry(registry, lock_wait=lock_wait) as opened:
        log, records = entries(opened.con), opened.fingerprint()
        settings, contract = settings_for(opened.con, protocol)
        asked = load_blueprint(blueprint, contract)
        source = teaching_source(opened, settings, asked, contract, progress)
    drawn_from = {
        "records": records,
        "protocol": settings.hash,
        "people": {code: looks["participant"].n_unique() for code, looks in source.looks.items()},
    }
    check_apart((json.loads(one.details) for one in log if one.action == ACTION), drawn_from)
    source = with_released_ratios(source, [before for before in entered(log) if before.records == records])
    drawn = teaching_set(source.looks, source.maneuvers, asked)
    content = teaching_content(drawn, source, asked, contract)
    if progress is not None and not content["released"]:
        progress("no release shows ratios of these records: published ones stand in place of the group's")
    text = offline_page("teaching", "Cases to learn from", content)
    details = {
        **drawn_from,
        "cases": len(drawn.cases),
        "sum": hashlib.sha256(text.encode()).hexdigest(),
        "approved_by": approval.role,
        "because": approval.reason,
    }
    note_use(registry, ACTION, operator=operator, details=details, lock_wait=lock_wait)
    out.mkdir(parents=True, exist_ok=True)
    return write_page(out / PAGE, text), drawn


def with_released_ratios(source: TeachingSource, releases: Iterable[Shown]) -> TeachingSource:
    """The source with the ratios of tables that these releases of its records show, where they may be corrected."""
    shown = {row for release in releases for row in release.counts}
    kept = [
        (row.condition, row.maneuver)
        for row, table in tables_of(source.tallies).items()
        if row in shown and table.may_be_corrected
    ]
    pairs = pl.DataFrame(kept, schema=dict.fromkeys(("condition", "maneuver"), pl.String()), orient="row")
    return replace(source, leading=source.leading.join(pairs, on=pairs.columns, how="semi"))


def teaching_content(
    drawn: TeachingSet, source: TeachingSource, blueprint: Blueprint, contract: Contract
) -> dict[str, Any]:
    """What the page holds: nothing of a case but what may be shown, and a ratio of each finding.

    The ratio is the group's own where a release shows it, else the range of the catalogue's publications.
    """
    wording = read_wording(reports_folder())
    sure = f"by imaging and all that is known of the case, at least {blueprint.confirmed:.0%} sure"
    cases = [_case(one, source, sure, contract, wording) for one in drawn.cases]
    return {
        "t": round(float(t_quantile(0.95, len(drawn.cases) - 1)), 4),
        **{key: as_written(reports_folder(), key) for key in ("group", "caution")},
        "released": any(finding["ratio"] is not None for case in cases for finding in case["findings"]),
        "cases": cases,
    }


def _case(case: Case, source: TeachingSource, sure: str, contract: Contract, wording: Wording) -> dict[str, Any]:
    condition = contract.catalogue.conditions[case.condition]
    return {
        "condition": inside_sentence(condition.name),
        "context": [
            f"{wording.word('group_by', name)}: {wording.word('group', value)}" for name, value in case.context
        ],
        "findings": [_finding(case.condition, *one, source, contract) for one in case.findings],
        "present": case.is_present,
        "by": f"{'seen' if case.is_present else 'excluded'} at surgery" if case.by_surgery else sure,
    }


def _finding(condition: str, code: str, result: str, source: TeachingSource, contract: Contract) -> dict[str, Any]:
    maneuver = contract.catalogue.maneuvers[code]
    return {
        "name": maneuver.name,
        "result": result,
        "means": maneuver.positive,
        "technique": maneuver.technique,
        "ratio": _ratio(condition, code, result, source),
        "published": _published(condition, maneuver, result),
    }


def _ratio(condition: str, maneuver: str, result: str, source: TeachingSource) -> float | None:
    """The group's likelihood ratio to two digits; None where it has none that may be shown."""
    rows = source.leading.filter(pl.col("basis") == "bias_adjusted", condition=condition, maneuver=maneuver)
    value = None if rows.is_empty() else rows[f"lr_{result}"][0]
    return None if value is None else float(f"{value:.2g}")


def _published(condition: str, maneuver: Maneuver, result: str) -> list[float | None] | None:
    """The lowest and highest published ratio to two digits; None where no publication gives both figures.

    The highest is None where a publication found no false alarm, so that its ratio has no end.
    """
    found = published_ratios(row for row in maneuver.published if row.condition == condition)
    if found is None:
        return None
    return [float(f"{limit:.2g}") if math.isfinite(limit) else None for limit in found[CLEAR.index(result)]]
