from __future__ import annotations

import random
from types import SimpleNamespace

import pytest

from examtally.reporting.audit import examiners
from examtally.reporting.audit.audit import Audit, report_pseudonyms
from examtally.reporting.audit.examiners import ELSEWHERE, TOO_FEW, one_by_one, section, standing_out

PEOPLE = [f"EX-{number:02}" for number in range(1, 15)]


@pytest.mark.parametrize("number", [0, 1, 14, 400])
def test_everybody_has_a_code_of_their_own(number: int) -> None:
    people = [f"E{place}" for place in range(number)]
    codes = report_pseudonyms(people)
    assert list(codes) == people
    assert len(set(codes.values())) == number


def test_codes_are_drawn_anew_and_in_no_order_of_the_examiners() -> None:
    draws = [tuple(report_pseudonyms(PEOPLE).values()) for _ in range(3)]
    assert len(set(draws)) == 3
    assert all(list(draw) != sorted(draw) for draw in draws)


def test_a_draw_can_be_repeated_only_with_its_source() -> None:
    assert report_pseudonyms(PEOPLE, random.Random(5)) == report_pseudonyms(PEOPLE, random.Random(5))


def test_without_figures_the_section_says_where_single_examiners_stand(young: Audit) -> None:
    assert section(young) == ELSEWHERE
    assert one_by_one(young) == "No core condition has figures to show yet."


@pytest.mark.parametrize(
    ("differs", "said"),
    [
        ([], TOO_FEW),
        ([False, False], "**No examiner stands out:**"),
        ([False, True], "**Examiners differ by more than chance on Lachman test.**"),
    ],
)
def test_the_lead_reads_first_whether_anybody_stands_out(
    young: Audit, monkeypatch: pytest.MonkeyPatch, differs: list[bool], said: str
) -> None:
    names = ("Pivot shift test", "Lachman test")
    found = [
        SimpleNamespace(maneuver=SimpleNamespace(name=name), sides=[SimpleNamespace(differs=one)])
        for name, one in zip(names, differs, strict=False)
    ]
    monkeypatch.setattr(examiners, "variations", lambda _: found)
    assert standing_out(young).startswith(said)
