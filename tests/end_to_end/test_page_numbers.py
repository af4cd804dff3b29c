"""Every kind of page of the demo: what its text and its tables show is what the result files hold."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import told_numbers as told
from demo_run import Pages, Run
from page_text import Page
from told_numbers import Files, Told
from writing_commands import write_pooled

from examtally.reporting import render_network

LEAST = 30


def own(page: Page, files: Files) -> Iterator[Told]:
    """The readers of one sheet, and of one batch, know whose it is."""
    return told.own_sheet(page, files, "E-04")


def first_batch(page: Page, files: Files) -> Iterator[Told]:
    return told.intake(page, files, 1)


Reader = Callable[[Page, Files], Iterator[Told]]
KINDS: dict[str, tuple[Sequence[Reader], int, int]] = {
    "audit": ([told.leading], LEAST, LEAST),
    "audit-annex": ([told.verified, told.agreement], LEAST, 0),
    "monthly-P018": ([told.leading], LEAST, LEAST),
    "condition-acl_tear": ([told.leading, told.verified], LEAST, LEAST),
    "card-acl_tear": ([told.card], LEAST, 0),
    "maneuvers": ([told.found_here], LEAST, 0),
    "supervisor": ([told.agreement], LEAST, 0),
    "lead": ([told.by_examiner], LEAST, 0),
    "intake-1": ([first_batch], LEAST, 0),
    "examiner-E-04": ([own], LEAST, LEAST),
    "actions": ([], 0, 11),  # those behind its first four actions
}
"""Pages with the readers of their tables, and how many numbers tables and words must hold at least."""


@pytest.fixture(scope="module")
def files(demo: Run) -> Files:
    return Files(demo.out / "results")


@cache
def shown(demo_pages: Pages, files: Files, name: str) -> tuple[list[Told], list[Told]]:
    """What tables, and what words, of a page show."""
    html = demo_pages.find(f"{name}.html").read_text(encoding="utf-8")
    page = Page(html)
    return [one for read in KINDS[name][0] for one in read(page, files)], list(told.in_words(html, files))


@pytest.mark.parametrize("name", KINDS)
def test_numbers_of_a_page_are_those_of_the_files(demo_pages: Pages, files: Files, name: str) -> None:
    _, of_tables, of_words = KINDS[name]
    for found, least in zip(shown(demo_pages, files, name), (of_tables, of_words), strict=True):
        assert [fault for one in found for fault in one.faults] == []
        assert sum(len(one.numbers) for one in found) >= least


def test_numbers_of_several_groups_are_those_of_the_files(tmp_path: Path) -> None:
    results = write_pooled(tmp_path / "pooled")
    (page,) = render_network(results, tmp_path / "out")
    found = list(told.pooled(Page(page.read_text(encoding="utf-8")), Files(results)))
    assert [fault for one in found for fault in one.faults] == []
    assert sum(len(one.numbers) for one in found) == 12  # all that this page shows


@pytest.mark.parametrize("name", KINDS)
def test_any_other_number_is_found(demo_pages: Pages, files: Files, name: str) -> None:
    """A page with one of its numbers two digits off in the last place."""
    for one in (one for part in shown(demo_pages, files, name) for one in part if one.numbers):
        other = re.sub(r"(\d)(?!.*\d)", lambda last: str((int(last[1]) + 2) % 10), one.shown, flags=re.S)
        assert replace(one, shown=other).faults
