"""What the reference standard says of an index exam, and when it is too early to ask."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import pytest
from clinic import Records
from ends import cohort_of, ends, reasons

from examtally.cohort.cells import CELLS_A_PAIR, STATUSES
from examtally.cohort.reasons import REASONS


def _status(records: Records, condition: str = "ligament", maneuver: str = "drawer") -> str:
    """present, absent or the reason why not, for a registry with one exam whose finding is positive."""
    with cohort_of(records) as cohort:
        (reason,) = reasons(cohort, condition, maneuver)
        if reason != "analysed":
            return reason
        row = cohort.tallies().filter(condition=condition, maneuver=maneuver, group_by="overall").row(0, named=True)
    return "present" if row["tp"] else "absent"


def _statuses(cases: Iterable[Records], condition: str = "ligament", maneuver: str = "drawer") -> list[str]:
    """What `_status` says of each of several registries, their exams being of several persons in one."""
    together = Records()
    for number, case in enumerate(cases):
        for table, rows in case.tables.items():
            for row in rows:
                own = {
                    key: f"{row[key]}-{number}" for key in ("exam_id", "participant_id", "reference_id") if key in row
                }
                together.add(table, **row | own)
    with cohort_of(together) as cohort:
        rows = cohort.con.execute(
            f"select reason, cell % {len(STATUSES)} from cells join cohort_exams using (ek) "
            f"join pairs on pair = cell // {CELLS_A_PAIR} where condition = ? and maneuver = ? "
            "order by split_part(exam_id, '-', 2)::integer",
            [condition, maneuver],
        ).fetchall()
        found = [STATUSES[status] if REASONS[reason] == "analysed" else REASONS[reason] for reason, status in rows]
        assert reasons(cohort, condition, maneuver) == Counter(
            "analysed" if one in STATUSES[:2] else one for one in found
        )
        row = cohort.tallies().filter(condition=condition, maneuver=maneuver, group_by="overall").row(0, named=True)
    assert (row["tp"], row["fp"]) == (found.count("present"), found.count("absent"))
    return found


def _seen(condition: str = "ligament", *said: tuple[str, int, str]) -> Records:
    """One exam with every maneuver positive, and readings (status, day, modality) of one condition."""
    records = Records().exam("EX1")
    for maneuver in ("drawer", "inner_line", "outer_line", "tap", "squeeze", "gait"):
        records.finding("EX1", maneuver)
    for status, day, modality in said:
        records.reference(condition, status, day, modality)
    return records


@pytest.mark.parametrize(
    ("day", "reason"), [(0, "analysed"), (60, "analysed"), (61, "outside_window"), (-1, "after_reference")]
)
def test_the_window_holds_its_first_and_last_day(day: int, reason: str) -> None:
    assert ends(_seen("ligament", ("present", day, "mri"))) == {reason: 1}


AUTHORITY: list[tuple[list[tuple[str, int, str]], str]] = [
    ([("absent", 9, "mri"), ("present", 50, "arthroscopy")], "present"),
    ([("present", 9, "mri"), ("absent", 50, "arthroscopy")], "absent"),
    ([("present", 9, "arthroscopy"), ("absent", 9, "open_surgery")], "absent"),
    ([("absent", 9, "mri"), ("present", 61, "arthroscopy")], "absent"),
    ([("absent", 9, "mri"), ("indeterminate", 50, "arthroscopy")], "absent"),
    ([("absent", 9, "mri"), ("present", 10, "mri")], "reference_indeterminate"),
    ([("absent", 9, "mri"), ("indeterminate", 10, "mri")], "absent"),
    ([("absent", 9, "mri"), ("present", 61, "mri")], "absent"),
    ([("absent", 50, "arthroscopy"), ("absent", 9, "mri"), ("present", 8, "mri")], "absent"),
    ([("present", 50, "arthroscopy"), ("present", 9, "mri"), ("absent", 8, "mri")], "present"),
    ([("indeterminate", 9, "mri")], "reference_indeterminate"),
    ([("present", 9, "arthroscopy"), ("absent", 8, "arthroscopy"), ("present", 1, "mri")], "reference_indeterminate"),
    ([("present", 9, "ultrasound")], "modality_not_accepted"),
    ([("present", 9, "ultrasound"), ("present", 61, "mri")], "outside_window"),
    ([], "not_verified"),
]


def test_the_most_authoritative_determinate_result_inside_the_window_wins() -> None:
    cases, expected = zip(*AUTHORITY, strict=True)
    assert _statuses(_seen("ligament", *said) for said in cases) == [*expected]


def test_a_condition_no_row_mentions_is_unverified_not_absent() -> None:
    assert _status(_seen("medial", ("absent", 3, "mri"))) == "not_verified"


ASPIRATION: list[tuple[list[tuple[str, int, str]], str]] = [
    ([("present", 1, "aspiration")], "present"),
    ([("absent", 1, "aspiration")], "modality_not_accepted"),
    ([("absent", 1, "aspiration"), ("absent", 2, "ultrasound")], "absent"),
    ([("present", 1, "aspiration"), ("absent", 2, "ultrasound")], "absent"),
    ([("present", 4, "aspiration")], "outside_window"),
]


def test_aspiration_settles_only_that_there_is_fluid() -> None:
    cases, expected = zip(*ASPIRATION, strict=True)
    assert _statuses((_seen("fluid", *said) for said in cases), "fluid", "tap") == [*expected]


@pytest.mark.parametrize(("known", "reason"), [("no", "analysed"), ("yes", None), ("unknown", None), (None, None)])
def test_follow_up_counts_only_with_a_definition_and_a_reader_who_did_not_know(
    known: str | None, reason: str | None
) -> None:
    records = Records().exam("EX1").finding("EX1", "squeeze")
    records.reference("syndrome", "present", 30, "follow_up", exam_known=known)
    assert ends(records, "syndrome", "squeeze") == {"modality_not_accepted": 1}
    protocol = {
        "windows": {"syndrome": [0, 90]},
        "reference": {"clinical_case_definition": {"syndrome": "pain on the stairs for six weeks"}},
    }
    assert ends(records, "syndrome", "squeeze", **protocol) == {reason or "modality_not_accepted": 1}


def test_nothing_settles_a_syndrome_or_a_maneuver_without_condition() -> None:
    records = _seen("syndrome", ("present", 3, "mri")).exam("EX2", "PT2", period="2020-12")
    records.finding("EX2", "gait").finding("EX2", "squeeze", "equivocal")
    assert ends(records, "syndrome", "squeeze") == {"modality_not_accepted": 1, "equivocal": 1}
    assert ends(records, "none", "gait") == {"not_verified": 2}


MENISCI = {
    ("present", "present"): "present",
    ("present", "absent"): "present",
    ("present", None): "present",
    ("present", "indeterminate"): "present",
    ("absent", "absent"): "absent",
    ("absent", None): "not_verified",
    ("indeterminate", None): "not_verified",
    ("absent", "indeterminate"): "reference_indeterminate",
    ("indeterminate", "indeterminate"): "reference_indeterminate",
}


@pytest.mark.parametrize("parts", [("medial", "lateral"), ("lateral", "medial")])
def test_a_meniscal_tear_follows_from_the_two_menisci(parts: tuple[str, str]) -> None:
    cases = []
    for said, status in MENISCI.items():
        records = _seen()
        for part, word in zip(parts, said, strict=True):
            if word:
                records.reference(part, word, 3)
        cases.append((records, status))
    assert _statuses((records for records, _ in cases), "meniscus", "inner_line") == [*MENISCI.values()]
    for records, status in cases:
        records.reference("meniscus", "absent" if status == "present" else "present", 3)
    found = _statuses((records for records, _ in cases), "meniscus", "inner_line")
    assert found == [*MENISCI.values()], "a direct row must not count beside a row of a part"


def test_a_direct_row_of_a_meniscal_tear_counts_where_no_part_has_a_row() -> None:
    records = _seen("meniscus", ("absent", 3, "mri"))
    assert _status(records, "meniscus", "inner_line") == "absent"
    assert _status(records, "medial", "inner_line") == "not_verified"
    records.reference("lateral", "absent", 41)
    assert _status(records, "meniscus", "inner_line") == "not_verified"


def test_the_first_missing_part_gives_the_reason_of_a_derived_condition() -> None:
    records = _seen().reference("medial", "absent", 41).reference("lateral", "present", 3, "ultrasound")
    assert _status(records, "meniscus", "inner_line") == "modality_not_accepted"


@pytest.mark.parametrize(
    ("period", "is_open"),
    [
        ("2020-09", False),  # 30 September + 60 days is 29 November
        ("2020-10", False),  # 31 October + 60 days is 30 December
        ("2020-11", True),  # 30 November + 60 days is 29 January
        ("2020-12", True),
    ],
)
def test_a_month_is_open_while_its_window_reaches_beyond_the_newest(period: str, is_open: bool) -> None:
    """The newest period, December, is that of a comparison knee."""
    records = Records().exam("EX1", period=period).finding("EX1", "drawer").reference("ligament", "present", 3)
    assert ends(records) == {"window_open" if is_open else "analysed": 1}
    assert ends(records, windows={"ligament": [0, 62]}) == {"window_open" if period != "2020-09" else "analysed": 1}


@pytest.mark.parametrize(
    ("period", "newest", "immature", "is_open"),
    [
        ("P007", "P010", 3, False),
        ("P008", "P010", 3, True),
        ("P008", "P010", 0, False),
        ("P009", "P010", 0, True),
        ("P004", "P010", 6, False),
        ("P005", "P010", 6, True),
    ],
)
def test_ordinals_are_open_by_their_number(period: str, newest: str, immature: int, is_open: bool) -> None:
    """The window of the ligament, 60 days, asks for two periods at least."""
    records = Records().exam("EX1", period=period).finding("EX1", "drawer").exam("EX2", "PT2", period=newest)
    assert ("not_verified" not in ends(records, maturity={"immature_periods": immature})) == is_open


def test_an_open_exam_is_out_of_the_table_even_if_imaged() -> None:
    records = _seen("ligament", ("present", 3, "mri"))
    records.rows("exams")[0]["period"] = "2020-12"
    with cohort_of(records) as cohort:
        row = cohort.tallies().filter(maneuver="drawer", group_by="overall").row(0, named=True)
    assert (row["window_open"], row["exams"], row["tp"], row["not_recorded"]) == (1, 0, 0, 0)
