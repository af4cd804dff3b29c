"""What the reference standard says of an index exam, and when it is too early to ask."""

from __future__ import annotations

import pytest
from clinic import Records
from ends import cohort_of, ends, reasons


def _status(records: Records, condition: str = "ligament", maneuver: str = "drawer") -> str:
    """present, absent or the reason why not, for a registry with one exam whose finding is positive."""
    with cohort_of(records) as cohort:
        (reason,) = reasons(cohort, condition, maneuver)
        if reason != "analysed":
            return reason
        row = cohort.tallies().filter(condition=condition, maneuver=maneuver, group_by="overall").row(0, named=True)
    return "present" if row["tp"] else "absent"


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


@pytest.mark.parametrize(
    ("said", "status"),
    [
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
        (
            [("present", 9, "arthroscopy"), ("absent", 8, "arthroscopy"), ("present", 1, "mri")],
            "reference_indeterminate",
        ),
        ([("present", 9, "ultrasound")], "modality_not_accepted"),
        ([("present", 9, "ultrasound"), ("present", 61, "mri")], "outside_window"),
        ([], "not_verified"),
    ],
)
def test_the_most_authoritative_determinate_result_inside_the_window_wins(
    said: list[tuple[str, int, str]], status: str
) -> None:
    assert _status(_seen("ligament", *said)) == status


def test_a_condition_no_row_mentions_is_unverified_not_absent() -> None:
    assert _status(_seen("medial", ("absent", 3, "mri"))) == "not_verified"


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ([("present", 1, "aspiration")], "present"),
        ([("absent", 1, "aspiration")], "modality_not_accepted"),
        ([("absent", 1, "aspiration"), ("absent", 2, "ultrasound")], "absent"),
        ([("present", 1, "aspiration"), ("absent", 2, "ultrasound")], "absent"),
        ([("present", 4, "aspiration")], "outside_window"),
    ],
)
def test_aspiration_settles_only_that_there_is_fluid(said: list[tuple[str, int, str]], status: str) -> None:
    assert _status(_seen("fluid", *said), "fluid", "tap") == status


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


@pytest.mark.parametrize("swapped", [False, pytest.param(True, marks=pytest.mark.study)])
@pytest.mark.parametrize(("said", "status"), MENISCI.items())
def test_a_meniscal_tear_follows_from_the_two_menisci(
    said: tuple[str | None, str | None], status: str, swapped: bool
) -> None:
    records = _seen()
    for part, word in zip(("medial", "lateral"), said[::-1] if swapped else said, strict=True):
        if word:
            records.reference(part, word, 3)
    assert _status(records, "meniscus", "inner_line") == status
    records.reference("meniscus", "absent" if status == "present" else "present", 3)
    assert _status(records, "meniscus", "inner_line") == status, "a direct row must not count beside a row of a part"


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
