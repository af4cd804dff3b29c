"""The analysis set once more, in the plainest Python: exam by exam, rule by rule, for small registries.

Nothing here is shared with the package but the contract and the protocol it reads.
"""

from __future__ import annotations

import calendar
import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import date, timedelta
from functools import wraps
from itertools import combinations_with_replacement
from typing import Any

from clinic import Records, Row

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

REASONS = (
    *("comparison_knee", "operating_room", "prior_surgery", "reference_known", "after_surgery", "after_reference"),
    *("not_index_exam", "window_open", "not_recorded", "not_done", "equivocal", "not_verified"),
    *("modality_not_accepted", "outside_window", "reference_indeterminate", "analysed"),
)
CELLS = ("tp", "fp", "fn", "tn")
CELL = {("positive", "present"): "tp", ("positive", "absent"): "fp", ("negative", "present"): "fn"}
CELL |= {("negative", "absent"): "tn"}
UNVERIFIED = ("not_verified", "modality_not_accepted", "outside_window")
GROUPS = (
    *("overall", "examiner", "role", "setting", "acuity", "sex", "age_band", "bmi_band", "thigh_band"),
    *("effusion", "guarding", "site", "period"),
)


def remembered(rule: Any) -> Any:
    """Keep what a rule said of an exam, so that it is asked once."""

    @wraps(rule)
    def asked(self: BruteForce, exam: Row, *more: Any) -> Any:
        key = (rule.__name__, exam["exam_id"], *more)
        if key not in self.memory:
            self.memory[key] = rule(self, exam, *more)
        return self.memory[key]

    return asked


class BruteForce:
    """One registry under one protocol."""

    def __init__(self, records: Records, contract: Contract, protocol: Protocol) -> None:
        self.exams = records.rows("exams")
        self.references = records.rows("references")
        self.results = {(f["exam_id"], f["maneuver"]): f["result"] for f in records.rows("findings")}
        self.participants = {row["participant_id"]: row for row in records.rows("participants")}
        self.examiners = {row["examiner_id"]: row for row in records.rows("examiners")}
        self.impressions = records.rows("impressions")
        self.conditions = contract.catalogue.conditions
        self.pairs = contract.catalogue.pairs
        self.protocol = protocol
        self.memory: dict[Any, Any] = {}
        self.of_episode: dict[Any, list[Row]] = defaultdict(list)
        for row in self.references:
            self.of_episode[episode_of(row)].append(row)

    # eligibility and the index exam

    def readings(self, exam: Row) -> list[Row]:
        """Reference rows of the exam's episode."""
        return self.of_episode[episode_of(exam)]

    @remembered
    def barred(self, exam: Row, condition: str) -> str | None:
        """The first reason that makes the exam ineligible for the condition."""
        rules = self.protocol.eligibility
        surgery = [r for r in self.readings(exam) if r["modality"] in ("arthroscopy", "open_surgery")]
        asked = (
            ("comparison_knee", rules.exclude_comparison_knees and exam.get("complaint") == "no"),
            ("operating_room", exam.get("setting") in rules.exclude_settings),
            ("prior_surgery", rules.exclude_prior_surgery and exam.get("prior_surgery") == "yes"),
            ("reference_known", rules.exclude_reference_known and exam.get("reference_known") == "yes"),
            (
                "after_surgery",
                rules.exclude_after_surgery and any(r["reference_day"] < exam["exam_day"] for r in surgery),
            ),
            ("after_reference", rules.exclude_after_reference and self.answer_was_out(exam, condition)),
        )
        return next((reason for reason, applies in asked if applies), None)

    def answer_was_out(self, exam: Row, condition: str) -> bool:
        """Had a modality that can settle the condition been read before the exam, outside a window that allows it?"""
        if condition == "none":
            return False
        modalities = {*self.conditions[condition].modalities, *self.protocol.reference.accepted.get(condition, ())}
        low, high = self.protocol.windows.get(condition, (0, 0))
        for row in self.readings(exam):
            days = row["reference_day"] - exam["exam_day"]
            allowed = low < 0 and low <= days <= high
            if row["modality"] in modalities and days < 0 and not allowed:
                return True
        return False

    @remembered
    def index_exam(self, exam: Row, condition: str, examiner: str | None = None) -> Row:
        """The first eligible exam of the exam's episode, of this examiner's where one is given."""
        rivals = [
            e
            for e in self.exams
            if episode_of(e) == episode_of(exam)
            and self.barred(e, condition) is None
            and examiner in (None, e["examiner_id"])
        ]
        return min(rivals, key=moment)

    @remembered
    def is_open(self, exam: Row, condition: str) -> bool:
        """Had the window not closed by the newest period?"""
        window = self.protocol.windows.get(condition)
        if window is None:
            return False
        newest = max(e["period"] for e in self.exams)
        if exam["period"].startswith("P"):
            immature = max(self.protocol.maturity.immature_periods, -(-window[1] // 30))
            return int(exam["period"][1:]) > int(newest[1:]) - immature
        return month_end(exam["period"]) + timedelta(days=window[1]) > month_end(newest)

    # the reference standard

    @remembered
    def standard(self, exam: Row, condition: str) -> str:
        """present, absent, reference_indeterminate, or why the exam is not verified."""
        if condition == "none":
            return "not_verified"
        rows = [r for r in self.readings(exam) if r["condition"] == condition]
        parts = self.conditions[condition].derived_from
        if any(r["condition"] in parts for r in self.readings(exam)):
            said = [self.standard(exam, part) for part in parts]
            if "present" in said:
                return "present"
            if set(said) == {"absent"}:
                return "absent"
            return next(reason for reason in (*UNVERIFIED, "reference_indeterminate") if reason in said)
        accepted = [r for r in rows if self.settles(r, condition)]
        low, high = self.protocol.windows.get(condition, (0, 0))
        inside = [r for r in accepted if low <= r["reference_day"] - exam["exam_day"] <= high]
        for missing, reason in zip((rows, accepted, inside), UNVERIFIED, strict=True):
            if not missing:
                return reason
        for modality in self.protocol.reference.accepted[condition]:
            said = {r["status"] for r in inside if r["modality"] == modality} - {"indeterminate"}
            if len(said) == 1:
                return said.pop()
            if said:
                return "reference_indeterminate"
        return "reference_indeterminate"

    def settles(self, row: Row, condition: str) -> bool:
        """May this row settle the condition?"""
        if row["modality"] not in self.protocol.reference.accepted.get(condition, ()):
            return False
        if row["modality"] == "follow_up":
            return row.get("exam_known") == "no"
        limits = [s.only for s in self.conditions[condition].settled_by if s.modality == row["modality"]]
        return all(row["status"] in only for only in limits)

    # what is counted

    def result(self, exam: Row, maneuver: str) -> str:
        """What was found, or not_recorded."""
        found = self.results.get((exam["exam_id"], maneuver), "not_recorded")
        if found == "equivocal" and self.protocol.equivocal != "excluded":
            return self.protocol.equivocal
        return found

    @remembered
    def reason(self, exam: Row, condition: str, maneuver: str, examiner: str | None = None) -> str:
        """The first reason that applies; with an examiner, among that examiner's own exams."""
        barred = self.barred(exam, condition)
        if barred is not None:
            return barred
        if self.index_exam(exam, condition, examiner) is not exam:
            return "not_index_exam"
        if self.is_open(exam, condition):
            return "window_open"
        result = self.result(exam, maneuver)
        if result in ("not_recorded", "not_done", "equivocal"):
            return result
        standard = self.standard(exam, condition)
        return "analysed" if standard in ("present", "absent") else standard

    def flow(self) -> dict[tuple[str, str, str], tuple[int, int]]:
        """(condition, maneuver, reason) → exams, participants."""
        found: dict[tuple[str, str, str], tuple[int, int]] = {}
        for condition, maneuver in self.pairs:
            ends = [(self.reason(e, condition, maneuver), e["participant_id"]) for e in self.exams]
            for reason in REASONS:
                people = [person for end, person in ends if end == reason]
                found[condition, maneuver, reason] = (len(people), len(set(people)))
        return found

    def tallies(self) -> dict[tuple[str, str, str, str], Counter[str]]:
        """(condition, maneuver, group_by, group) → every count."""
        found: dict[tuple[str, str, str, str], list[tuple[Row, str]]] = defaultdict(list)
        for condition, maneuver in self.pairs:
            found[condition, maneuver, "overall", "all"] = []
            for exam in self.exams:
                for group_by in GROUPS:
                    examiner = exam["examiner_id"] if group_by == "examiner" else None
                    reason = self.reason(exam, condition, maneuver, examiner)
                    if REASONS.index(reason) >= REASONS.index("window_open"):
                        found[condition, maneuver, group_by, self.group(exam, group_by)].append((exam, reason))
        return {key: self.count(rows, *key[:2]) for key, rows in found.items()}

    def count(self, rows: list[tuple[Row, str]], condition: str, maneuver: str) -> Counter[str]:
        """The counts of one row of the tallies."""
        counts: Counter[str] = Counter()
        cells: list[tuple[Row, str]] = []
        for exam, reason in rows:
            counts.update(self.kinds(exam, reason, condition, maneuver))
            cell = CELL.get((self.result(exam, maneuver), self.standard(exam, condition)))
            if reason == "analysed" and cell:
                cells.append((exam, cell))
        counts.update(clusters(cells, lambda exam: exam["participant_id"], "participants", ""))
        counts["knees"] = len({(exam["participant_id"], exam["side"]) for exam, _ in cells})
        return counts

    def kinds(self, exam: Row, reason: str, condition: str, maneuver: str) -> Iterator[str]:
        """The plain counts an exam adds to."""
        if reason == "window_open":
            yield "window_open"
            return
        result, standard = self.result(exam, maneuver), self.standard(exam, condition)
        yield result
        if result == "not_recorded":
            return
        yield "exams"
        if result == "not_done":
            return
        yield "done"
        if result == "equivocal":
            if standard in ("present", "absent"):
                yield f"equivocal_{standard}"
            return
        yield "interpretable"
        if standard in ("present", "absent"):
            yield "verified"
            yield CELL[result, standard]
        else:
            yield f"{'indeterminate' if standard == 'reference_indeterminate' else 'unverified'}_{result}"

    def role_clusters(self) -> dict[tuple[str, str, str], Counter[str]]:
        """(condition, maneuver, role) → sums over examiners and over participant × examiner."""
        found: dict[tuple[str, str, str], list[tuple[Row, str]]] = defaultdict(list)
        for condition, maneuver in self.pairs:
            for exam in self.exams:
                if self.reason(exam, condition, maneuver) == "analysed":
                    cell = CELL[self.result(exam, maneuver), self.standard(exam, condition)]
                    found[condition, maneuver, self.group(exam, "role")].append((exam, cell))
        return {
            key: Counter(cell for _, cell in cells)
            + clusters(cells, lambda exam: exam["examiner_id"], "examiners", "ex_")
            + Counter(
                {
                    name: value
                    for name, value in clusters(
                        cells, lambda exam: (exam["participant_id"], exam["examiner_id"]), "", "px_"
                    ).items()
                    if name.startswith("px_")
                }
            )
            for key, cells in found.items()
        }

    def forecasts(self) -> list[tuple[str, str, str, float, int]]:
        """Condition, forecast, role, probability, outcome."""
        exams = {exam["exam_id"]: exam for exam in self.exams}
        rows = []
        for row in self.impressions:
            exam, condition = exams[row["exam_id"]], row["condition"]
            counts = self.barred(exam, condition) is None and self.index_exam(exam, condition) is exam
            standard = self.standard(exam, condition)
            if counts and not self.is_open(exam, condition) and standard in ("present", "absent"):
                stage = f"examiner_{row['stage']}"
                said = (row["probability"], int(standard == "present"))
                rows.append((condition, stage, self.group(exam, "role"), *said))
        return rows

    def group(self, exam: Row, group_by: str) -> str:
        """The group of an exam."""
        person = self.participants.get(exam["participant_id"], {})
        hands = self.examiners.get(exam["examiner_id"], {})
        groups = self.protocol.groups
        plain: dict[str, Any] = {
            "overall": "all",
            "examiner": exam["examiner_id"],
            "role": exam.get("examiner_role") or hands.get("role"),
            "sex": person.get("sex"),
            "site": hands.get("site_id"),
            "acuity": acuity(exam.get("days_since_onset"), *groups.acuity),
            "age_band": band(person.get("age_years"), groups.age_band),
            "bmi_band": band(person.get("bmi"), groups.bmi_band),
            "thigh_band": band(exam.get("thigh_cm"), groups.bands("thigh_band").starts),
        }
        return (plain[group_by] if group_by in plain else exam.get(group_by)) or "unknown"


def episode_of(row: Row) -> tuple[str, str, int]:
    """Whose complaint of which knee."""
    return row["participant_id"], row["side"], row["episode"]


def moment(exam: Row) -> tuple[int, float, str]:
    """What decides which exam comes first."""
    order = exam.get("examiner_order")
    return (
        exam["exam_day"],
        float("inf") if order is None else order,
        hashlib.md5(exam["exam_id"].encode()).hexdigest(),
    )


def month_end(period: str) -> date:
    """Last day of a calendar month."""
    year, month = int(period[:4]), int(period[5:])
    return date(year, month, calendar.monthrange(year, month)[1])


def acuity(days: int | None, acute: int, subacute: int) -> str | None:
    """Acute, subacute or chronic."""
    if days is None:
        return None
    return "acute" if days <= acute else "subacute" if days <= subacute else "chronic"


def band(value: int | None, starts: tuple[int, ...]) -> str | None:
    """The band a value lies in."""
    if value is None:
        return None
    below = [start for start in starts if start <= value]
    if not below:
        return f"under_{starts[0]}"
    above = [start for start in starts if start > value]
    return f"{below[-1]}_{above[0] - 1}" if above else f"{below[-1]}_over"


def clusters(cells: list[tuple[Row, str]], who: Any, noun: str, prefix: str) -> Counter[str]:
    """Clusters behind each margin and the sums over clusters of products of their cells."""
    members: dict[Any, Counter[str]] = defaultdict(Counter)
    for exam, cell in cells:
        members[who(exam)][cell] += 1
    margins = {"": CELLS, "_present": ("tp", "fn"), "_absent": ("fp", "tn"), "_positive": ("tp", "fp")}
    margins["_negative"] = ("fn", "tn")
    found = Counter(
        {f"{noun}{name}": sum(any(m[c] for c in wanted) for m in members.values()) for name, wanted in margins.items()}
    )
    for a, b in combinations_with_replacement(CELLS, 2):
        found[f"{prefix}{a}_{b}"] = sum(m[a] * m[b] for m in members.values())
    return found
