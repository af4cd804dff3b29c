from __future__ import annotations

import random

import pytest

from examtally.reporting.audit.audit import Audit, report_pseudonyms
from examtally.reporting.audit.examiners import ELSEWHERE, one_by_one, section

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
