"""The four domains by which a reviewer judges a study of accuracy, with what the records say to each."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import yaml

from examtally.reporting.engine.numbers import listed, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.flow import flow_of
from examtally.reporting.manuscript.paper import TO_COMPLETE, Paper
from examtally.studies.lock_status import PRESPECIFIED


def domains(paper: Paper) -> str:
    """Patient selection, index test, reference standard, flow and timing; the judgement stays the author's."""
    if paper.condition is None:
        return "Agreement alone is studied: the domains, which judge accuracy, do not apply."
    rows = [
        {"domain": name, "known": known, "judgement": TO_COMPLETE.strip("[]")}
        for name, known in (
            ("Patient selection", _selection(paper)),
            ("Index test", _index_test(paper)),
            ("Reference standard", _reference(paper)),
            ("Flow and timing", _timing(paper)),
        )
    ]
    columns = (
        Column("domain", "Domain"),
        Column("known", "What the records say", words=True),
        Column("judgement", "Risk of bias and applicability", words=True),
    )
    return table(pl.DataFrame(rows), columns, caption="QUADAS-2 domains")


def _selection(paper: Paper) -> str:
    counts = paper.rows("study_population")
    whole = sum(line["exams"] for line in counts)
    inside = next(line["exams"] for line in counts if line["place"] == 0)
    return (
        f"{share_of(inside, whole)} exams of the registry lie in the declared population. One index exam an episode, "
        "the first eligible one, whatever it found; no case-control sampling."
    )


def _index_test(paper: Paper) -> str:
    fixed = all(paper.found.lock_status.status(one.name) == PRESPECIFIED for one in paper.study.primary)
    rule = "fixed before this analysis" if fixed else "not fixed before the results"
    rule += ", though the same question had been asked before" if paper.found.lock_status.asked_before else ""
    known = (
        "exams whose examiner is recorded to have known the reference are left out"
        if paper.study.protocol.eligibility.exclude_reference_known
        else "the examiner may have known the reference"
    )
    return f"Positivity rules were {rule}; {known}."


def _reference(paper: Paper) -> str:
    assert paper.condition is not None
    accepted = [paper.modality_name(one) for one in paper.study.protocol.reference.accepted[paper.condition.code]]
    blind = paper.study.protocol.reference.blinded_readers_only
    knew = {line["group"]: line["knees"] for line in paper.described("reader_knew")}
    reader = "readers are recorded not to have known the exam" if blind else "readers may have known the exam"
    if not blind and knew:
        reader = f"readers knew the exam in {share_of(knew.get('yes', 0), sum(knew.values()))} readings"
    return f"Settled by {listed(accepted, 'or')}; {reader}."


def _timing(paper: Paper) -> str:
    assert paper.condition is not None
    first, last = paper.study.protocol.windows[paper.condition.code]
    told = []
    for test in paper.used_tests():
        flow = flow_of(paper, test)
        clear = flow.arm("positive").exams + flow.arm("negative").exams
        told.append(
            f"{paper.test_name(test)}: {share_of(flow.analyzed, clear)} clear findings have a usable reference"
            + "".join(
                f", {share_of(arm.present + arm.absent, arm.exams)} {arm.result} ones"
                for arm in (flow.arm("positive"), flow.arm("negative"))
            )
        )
    return f"References from day {first} to day {last} after the exam. {'; '.join(told)}."


ITEMS = "stard.yaml"
_COMPLETE = TO_COMPLETE.strip("[]")


def checklist(paper: Paper, folder: Path = Path()) -> str:
    """The items of STARD 2015 in words of our own, each with where it stands."""
    rows = [
        {"part": item["part"], "item": str(item["item"]), "asks": item["asks"], "place": place(item, paper)}
        for item in items(folder)
    ]
    columns = (Column("item", "Item"), Column("asks", "What it asks", words=True), Column("place", "Where", words=True))
    caption = "STARD 2015 checklist, items in our own words"
    return table(pl.DataFrame(rows), columns, caption=caption, group="part")


def items(folder: Path) -> list[dict[str, str]]:
    """The items as the reports' folder has them."""
    found: list[dict[str, str]] = yaml.safe_load((folder / ITEMS).read_text(encoding="utf-8"))["items"]
    return found


def place(item: dict[str, str], paper: Paper) -> str:
    """Where an item stands in this manuscript, and what of it is the author's."""
    needs = item.get("needs", "")
    if needs == "reference" and paper.condition is None:
        return "does not apply: no reference standard"
    if needs == "groups" and not any(one.group_by for one in paper.study.analyses):
        return "none declared"
    where, also = item.get("place", ""), item.get("author", "")
    if not paper.found.lock_status.locked:
        where = where.replace(" (hash of the lock)", " (not locked)")
    if item.get("stated"):  # by the protocol, once the author has written it there
        return where if _is_stated(item["stated"], paper) else _COMPLETE
    if where and also:
        return f"{where}; {also}: {_COMPLETE}"
    return where or _COMPLETE


def _is_stated(key: str, paper: Paper) -> bool:
    """Whether the protocol says what one of its keys is for."""
    study = paper.study
    return bool(
        {
            "background": study.background and study.intended_use,
            "harms": study.harms,
            "registration": study.governance.registration,
            "funding": study.governance.funding,
        }[key]
    )
