from __future__ import annotations

from examtally.reporting.audit.verification import Verified

NAME = "Lachman test"


def tally(tp: int, fp: int, fn: int, tn: int, unverified: tuple[int, int]) -> dict[str, int]:
    cells = {"tp": tp, "fp": fp, "fn": fn, "tn": tn}
    return cells | {
        "unverified_positive": unverified[0],
        "unverified_negative": unverified[1],
        "indeterminate_positive": 0,
        "indeterminate_negative": 0,
    }


def test_positive_findings_imaged_more_often_flatter_sensitivity() -> None:
    said = Verified.of(tally(40, 10, 5, 45, (10, 150))).sentence(NAME)
    assert "50 of 60 (83%) «nouns»" in said
    assert "50 of 200 (25%)" in said
    assert "sensitivity here is likely too high and specificity too low" in said


def test_the_other_way_round_it_is_said_the_other_way_round() -> None:
    said = Verified.of(tally(5, 5, 40, 50, (90, 10))).sentence(NAME)
    assert "sensitivity here is likely too low and specificity too high" in said


def test_equal_shares_are_called_close() -> None:
    assert "The two are close" in Verified.of(tally(25, 25, 25, 25, (50, 50))).sentence(NAME)


def test_without_a_finding_nothing_is_said() -> None:
    assert Verified.of(tally(0, 0, 5, 5, (0, 1))).sentence(NAME) == ""


def test_which_way_it_leans_needs_a_clear_difference() -> None:
    assert Verified.of(tally(40, 10, 5, 45, (10, 150))).leaning == 1
    assert Verified.of(tally(5, 5, 40, 50, (90, 10))).leaning == -1
    assert Verified.of(tally(25, 25, 25, 25, (50, 50))).leaning == 0
    assert Verified.of(tally(0, 0, 5, 5, (0, 1))).leaning == 0
