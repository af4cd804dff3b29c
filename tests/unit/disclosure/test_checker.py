"""The checker finds each kind of thing that a careless release gives away; its bounds are exact."""

from __future__ import annotations

import itertools
import random
from collections.abc import Mapping

import polars as pl
import pytest
from released_tables import Knees

from examtally.disclosure.bounds import Range, System
from examtally.disclosure.checker import leaks
from examtally.disclosure.folder import Release, about_release
from examtally.disclosure.ledger import Shown
from examtally.disclosure.tables import CELLS, KEY, Row

Key = tuple[str, str, str, str]
LACHMAN = ("acl_tear", "lachman", "overall", "all")
SAFE: Knees = (60, 30, 25, 90)
PARTS = {"meniscal_tear": ("medial_meniscus_tear", "lateral_meniscus_tear")}


def of_sex(name: str) -> Key:
    return ("acl_tear", "lachman", "sex", name)


def careless(
    tables: Mapping[Key, Knees], registry: str = "now", approved: bool = False, **figures: pl.DataFrame
) -> Release:
    """A release of these tables as they are, whatever they hold."""
    schema = {**dict.fromkeys(KEY, pl.String()), **dict.fromkeys(CELLS, pl.Int64())}
    counts = pl.DataFrame([(*key, *knees) for key, knees in tables.items()], schema=schema, orient="row")
    about = about_release(registry, "protocol", approved=[list(key) for key in tables] if approved else [])
    return Release(about, counts, figures, pl.DataFrame())


def before(tables: Mapping[Key, Knees], records: str = "before") -> Shown:
    counts = {Row(*key): dict(zip(CELLS, knees, strict=True)) for key, knees in tables.items()}
    return Shown(records, counts, dict.fromkeys(counts, 0))


def said(release: Release, *earlier: Shown) -> str:
    found = leaks(release, earlier, PARTS)
    assert not any(character.isdigit() for character in "".join(found).replace("11", "").replace("mcmurray", ""))
    return "; ".join(found)


def test_a_safe_release_gives_nothing_away() -> None:
    half: Knees = (30, 15, 12, 45)
    other: Knees = (30, 15, 13, 45)
    assert said(careless({LACHMAN: SAFE, of_sex("female"): half, of_sex("male"): other})) == ""


@pytest.mark.parametrize(
    ("knees", "sentence"),
    [
        ((60, 30, 3, 90), "a count is shown although it is small"),
        ((60, 30, 0, 90), "everybody of one finding or with one answer is alike"),
        ((0, 30, 0, 90), "everybody of one finding or with one answer is alike"),
    ],
)
def test_small_counts_and_zeros_that_are_simply_there(knees: Knees, sentence: str) -> None:
    assert sentence in said(careless({LACHMAN: knees}))


def test_an_approval_covers_small_counts_but_no_zero_nor_few_people_nor_groups() -> None:
    assert said(careless({LACHMAN: (60, 30, 3, 90)}, approved=True)) == ""
    assert "alike" in said(careless({LACHMAN: (60, 30, 0, 90)}, approved=True))
    assert "one of the answers" in said(careless({LACHMAN: (5, 30, 3, 90)}, approved=True))
    grouped = {LACHMAN: (60, 30, 30, 90), of_sex("female"): (30, 15, 15, 45)}
    assert "groups are shown beside" in said(careless(grouped, approved=True))


@pytest.mark.parametrize("male", [(27, 15, 13, 45), (30, 15, 13, 45)])
def test_the_people_in_no_group_shown(male: Knees) -> None:
    tables = {LACHMAN: SAFE, of_sex("female"): (30, 15, 12, 43), of_sex("male"): male}
    assert "the people in no group by sex" in said(careless(tables))


def test_the_one_person_added_between_two_releases() -> None:
    assert "what changed since an earlier release" in said(
        careless({LACHMAN: (61, 30, 25, 90)}), before({LACHMAN: SAFE})
    )
    assert said(careless({LACHMAN: (71, 41, 36, 101)}), before({LACHMAN: SAFE})) == ""
    assert said(careless({LACHMAN: SAFE}), before({LACHMAN: SAFE}, "now")) == ""


def test_the_few_added_in_a_group_that_only_one_of_two_releases_shows() -> None:
    earlier = {LACHMAN: (80, 80, 80, 80), of_sex("female"): (30, 30, 30, 30), of_sex("male"): (30, 30, 30, 30)}
    later = {LACHMAN: (112, 112, 112, 112), of_sex("female"): (50, 50, 50, 50)}
    assert said(careless(later), before(earlier)) == ""
    later[of_sex("male")] = (41, 41, 41, 41)
    assert "what changed" in said(careless(later), before(earlier))


def test_that_nobody_is_in_no_group_is_no_change() -> None:
    half: Knees = (40, 40, 40, 40)
    earlier = {LACHMAN: (80, 80, 80, 80), of_sex("female"): half, of_sex("male"): half}
    later: dict[Key, Knees] = {LACHMAN: (110, 110, 110, 110), of_sex("female"): (55,) * 4, of_sex("male"): (55,) * 4}
    assert said(careless(later), before(earlier)) == ""
    few = {**later, LACHMAN: (130, 130, 130, 130)}
    assert "what changed" in said(careless(few), before({**earlier, LACHMAN: (100, 100, 100, 100)}))


def test_two_conditions_of_one_maneuver() -> None:
    """As many have an answer to either, so they are the same knees: four of them have a lateral tear alone."""
    medial = ("medial_meniscus_tear", "mcmurray_medial", "overall", "all")
    either = ("meniscal_tear", "mcmurray_medial", "overall", "all")
    assert "who has one of the two" in said(careless({medial: (53, 75, 34, 136), either: (57, 71, 34, 136)}))
    assert "who has one of the two" in said(careless({medial: (53, 75, 34, 136), either: (53 + 20, 75 - 22, 60, 110)}))
    assert said(careless({medial: (53, 75, 34, 136), either: (73, 55, 54, 116)})) == ""
    assert "who has" in said(careless({medial: (53, 75, 34, 136)}), before({either: (57, 71, 34, 136)}, "now"))


def figures(*lines: tuple[str, str, float]) -> pl.DataFrame:
    schema = [*KEY, "adjustment", "measure", "estimate"]
    return pl.DataFrame([(*LACHMAN, *line) for line in lines], schema=schema, orient="row")


def test_figures_without_counts() -> None:
    found = said(careless({}, accuracy=figures(("none", "sensitivity", 0.9))))
    assert "figures are shown although the counts are not" in found


def test_pairs_from_a_difference() -> None:
    """Of 12 missed by one and 12 by the other a difference of a third leaves few ways."""
    drawer = ("acl_tear", "anterior_drawer", "overall", "all")
    line = {"condition": "acl_tear", "maneuver_a": "lachman", "maneuver_b": "anterior_drawer", "adjustment": "none"}
    frame = pl.DataFrame([line | {"measure": "sensitivity", "difference": 0.96}])
    tables: dict[Key, Knees] = {LACHMAN: (60, 30, 11, 90), drawer: (11, 30, 60, 90)}
    assert "pairs can be worked out" in said(careless(tables, comparisons=frame))


def test_a_difference_tells_no_more_than_its_printed_digits() -> None:
    """0.63 in at most 20 and 11 knees is 5 of 8, 12 of 19 and more; read as 0.630 it would be 12 of 19 alone."""
    drawer = ("acl_tear", "anterior_drawer", "overall", "all")
    line = {"condition": "acl_tear", "maneuver_a": "lachman", "maneuver_b": "anterior_drawer", "adjustment": "none"}
    frame = pl.DataFrame([line | {"measure": "sensitivity", "difference": 0.63}])
    tables: dict[Key, Knees] = {LACHMAN: (20, 30, 11, 90), drawer: (11, 30, 20, 90)}
    assert said(careless(tables, comparisons=frame)) == ""


@pytest.mark.parametrize("name", ["examiner_id", "participant_id", "pairs"])
def test_columns_about_persons(name: str) -> None:
    frame = pl.DataFrame({name: ["E-1"]})
    assert "is about persons" in "; ".join(leaks(careless({}, agreement=frame)))


@pytest.mark.parametrize("name", ["examiner", "site", "period", "same_examiner"])
def test_rows_about_persons_places_and_periods(name: str) -> None:
    assert "rows about persons" in said(careless({}, agreement=pl.DataFrame({"group_by": [name]})))


@pytest.mark.parametrize("seed", range(30))
def test_bounds_are_exact(seed: int) -> None:
    """Against every way to fill in four counts of at most 6 with three sums, some of them between limits."""
    chance = random.Random(seed)
    names, top = "abcd", 6
    system = System()
    for name in names:
        system.between({name: 1}, 0, top)
    truth = {name: chance.randint(0, top) for name in names}
    sums = []
    for _ in range(3):
        terms = {name: chance.choice([-1, 1, 2]) for name in names if chance.random() < 0.7} or {"a": 1}
        value = sum(weight * truth[name] for name, weight in terms.items())
        low, high = value - chance.randint(0, 2), value + chance.randint(0, 2)
        sums.append((terms, low, high))
        system.between(terms, low, high)
    ways = [
        fit
        for values in itertools.product(range(top + 1), repeat=len(names))
        for fit in [dict(zip(names, values, strict=True))]
        if all(low <= sum(weight * fit[name] for name, weight in terms.items()) <= high for terms, low, high in sums)
    ]
    for wanted in ({"a": 1}, {"d": 1}, {"b": 1, "c": -1}):
        values = [sum(weight * fit[name] for name, weight in wanted.items()) for fit in ways]
        assert system.range(wanted) == Range(min(values), max(values))


def test_counts_that_contradict_each_other_are_a_fault() -> None:
    system = System()
    system.equal({"a": 1, "b": 1}, 5)
    system.between({"a": 1}, 9, 12)
    with pytest.raises(ValueError, match="contradicts itself"):
        system.range({"b": 1})


def test_everybody_alone_may_follow_a_release_with_groups_of_the_same_records() -> None:
    """As a site summary follows a release: the reader knows that nobody was added."""
    earlier = {LACHMAN: SAFE, of_sex("female"): (30, 15, 12, 45), of_sex("male"): (30, 15, 13, 45)}
    assert said(careless({LACHMAN: SAFE}), before(earlier, "now")) == ""
    assert "what changed since an earlier release" in said(careless({LACHMAN: SAFE}), before(earlier))
    assert "what changed since an earlier release" in said(careless({LACHMAN: SAFE}), before({LACHMAN: SAFE}))


def test_groups_of_two_releases_of_the_same_records_are_read_together() -> None:
    earlier = before({LACHMAN: SAFE, of_sex("female"): (30, 15, 12, 45)}, "now")
    now = careless({LACHMAN: SAFE, of_sex("male"): (27, 15, 13, 45)})
    assert said(now) == ""
    assert "the people in no group by sex" in said(now, earlier)


def test_a_level_of_a_merged_group_that_an_earlier_release_shows_tells_of_the_other() -> None:
    acute, both = ("acl_tear", "lachman", "acuity", "acute"), ("acl_tear", "lachman", "acuity", "subacute+chronic")
    now = careless({LACHMAN: SAFE, acute: (30, 15, 12, 45), both: (30, 15, 13, 45)})
    assert said(now) == ""
    earlier = before({LACHMAN: SAFE, ("acl_tear", "lachman", "acuity", "subacute"): (28, 14, 12, 43)}, "now")
    assert "one of its levels can be worked out" in said(now, earlier)
