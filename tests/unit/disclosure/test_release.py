"""A release hides small counts and whatever gives one back; its checker works them out as an outsider would."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import polars as pl
import pytest

from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty
from examtally.disclosure.bounds import UNBOUNDED, Range, given_back, ranges
from examtally.disclosure.checker import leaks
from examtally.disclosure.figures import comparison_figures, counts_table
from examtally.disclosure.folder import Release, about_release, read_release
from examtally.disclosure.hiding import SMALL, Hiding, hide
from examtally.disclosure.inversion import counts_behind
from examtally.disclosure.release import Approval, release
from examtally.disclosure.sides import Counts, Row, Side, counts_of
from examtally.errors import DisclosureError, ResultsError
from examtally.results.results import Provenance, Results

CELLS = ("tp", "fp", "fn", "tn")
ALL = ("overall", "all")


def tallies(tables: dict[tuple[str, str], tuple[int, int, int, int]]) -> pl.DataFrame:
    """Tallies of one maneuver in which every knee is another person's."""
    names = [name for name, kind in empty("tallies").schema.items() if kind.is_integer()]
    lines = []
    for (group_by, group), (tp, fp, fn, tn) in tables.items():
        cells = dict(zip(CELLS, (tp, fp, fn, tn), strict=True))
        knees = sum(cells.values())
        lines.append(
            dict.fromkeys(names, 0)
            | {"condition": "acl_tear", "maneuver": "lachman", "group_by": group_by, "group": group}
            | cells
            | {f"{cell}_{cell}": count for cell, count in cells.items()}
            | {"verified": knees, "participants": knees, "knees": knees}
            | {"participants_present": tp + fn, "participants_absent": fp + tn}
            | {"participants_positive": tp + fp, "participants_negative": fn + tn}
        )
    return conform("tallies", pl.DataFrame(lines))


def accuracy_of(counted: pl.DataFrame) -> pl.DataFrame:
    from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table

    contract = load_contract()
    return accuracy_table(counted, None, contract, Protocol.defaults(contract))


def results_of(tables: dict[tuple[str, str], tuple[int, int, int, int]], registry: str = "a" * 64) -> Results:
    counted = tallies(tables)
    protocol = Protocol.defaults(load_contract())
    return Results(
        {"tallies": counted, "accuracy": accuracy_of(counted)},
        Provenance(registry, protocol.to_dict(), protocol.hash, 1, {}),
    )


def row(group_by: str = "overall", group: str = "all") -> Row:
    return Row("acl_tear", "lachman", group_by, group)


SEXES = {ALL: (60, 30, 25, 90), ("sex", "female"): (30, 15, 12, 44), ("sex", "male"): (30, 15, 13, 46)}


def test_what_is_large_is_shown() -> None:
    made = release(results_of(SEXES))
    assert made.counts.null_count().sum_horizontal().sum() == 0
    assert made.figures["accuracy"].filter(pl.col("group_by") == "sex").height > 0


def test_28_of_31_is_hidden_with_its_figures() -> None:
    made = release(results_of({ALL: (28, 40, 3, 90)}))
    assert made.counts.select(CELLS).row(0) == (None, 40, None, 90)
    shown = set(made.figures["accuracy"]["measure"])
    assert shown == {"specificity"}


def test_a_planted_figure_gives_28_of_31_back_and_is_caught() -> None:
    made = release(results_of({ALL: (28, 40, 3, 90)}))
    planted = accuracy_of(tallies({ALL: (28, 40, 3, 90)})).filter(pl.col("measure") == "sensitivity")
    columns = made.figures["accuracy"].columns
    leaky = pl.concat([made.figures["accuracy"], planted.select(columns).with_columns(pl.col("estimate").round(2))])
    found = leaks(Release(made.about, made.counts, {"accuracy": leaky}, made.log))
    assert any("gives back fn" in sentence for sentence in found)
    assert not any("28" in sentence or "31" in sentence for sentence in found)


def test_the_interval_of_28_of_31_tells_3() -> None:
    _, rest = counts_behind(0.90, 0.75, 0.97, 0.95)
    assert rest.low <= 3 <= rest.high
    assert rest.gives_back


def test_one_hidden_group_takes_another_with_it() -> None:
    tables = {
        ALL: (63, 45, 46, 140),
        ("acuity", "acute"): (30, 15, 20, 50),
        ("acuity", "subacute"): (30, 15, 21, 46),
        ("acuity", "chronic"): (3, 15, 5, 44),
    }
    made = release(results_of(tables))
    hidden = made.counts.filter(pl.col("tp").is_null())["group"].to_list()
    assert sorted(hidden) == ["acute", "chronic"]
    assert leaks(made) == []


def test_without_the_complement_the_checker_finds_the_sum() -> None:
    tables = {ALL: (63, 30, 40, 96), ("sex", "female"): (60, 15, 20, 50), ("sex", "male"): (3, 15, 20, 46)}
    hiding = Hiding(counts_of(tallies(tables)))
    hiding.hide(Side(row("sex", "male"), "with_condition"), SMALL)
    naive = Release(about_release("a", "b"), counts_table(hiding.shown()), {}, pl.DataFrame())
    assert any("tp can be worked out" in sentence for sentence in leaks(naive))


def test_two_releases_that_differ_by_one_person_are_caught_and_prevented() -> None:
    first = release(results_of({ALL: (60, 30, 25, 90)}))
    later = results_of({ALL: (61, 30, 25, 90)}, registry="b" * 64)
    careless = release(later)
    assert any("differs from an earlier release" in sentence for sentence in leaks(careless, [first]))
    careful = release(later, earlier=[first])
    assert careful.counts.select(CELLS).row(0) == (None, 30, None, 90)
    assert leaks(careful, [first]) == []


def test_an_earlier_release_and_a_sum_together_give_nothing_back() -> None:
    first = release(results_of(SEXES))
    later = results_of(
        {ALL: (81, 30, 25, 90), ("sex", "female"): (31, 15, 12, 44), ("sex", "male"): (50, 15, 13, 46)},
        registry="b" * 64,
    )
    made = release(later, earlier=[first])
    assert leaks(made, [first]) == []
    assert made.counts.filter(group="male")["tp"].item() is None


def test_no_small_count_no_person_in_a_released_file(tmp_path: Path) -> None:
    folder = release(
        results_of({ALL: (28, 40, 3, 90), ("sex", "f"): (20, 25, 0, 45), ("sex", "m"): (8, 15, 3, 45)})
    ).write(tmp_path)
    back = read_release(folder)
    for cell in CELLS:
        assert not back.counts[cell].drop_nulls().is_between(1, 10).any()
    assert leaks(back) == []
    assert [path.name for path in tmp_path.iterdir() if path.stat().st_mode & 0o077 == 0 and path.is_file()]


def test_an_approved_table_is_shown_whole_and_none_of_its_groups() -> None:
    tables = {ALL: (28, 40, 3, 90), ("sex", "female"): (15, 20, 1, 45), ("sex", "male"): (13, 20, 2, 45)}
    made = release(results_of(tables), approval=Approval("medical director", "the paper needs the 2x2 table"))
    assert made.counts["group"].to_list() == ["all"]
    assert made.counts.select(CELLS).row(0) == (28, 40, 3, 90)
    assert made.log.filter(pl.col("why").str.contains("medical director")).height == 1


def test_an_approval_needs_fifty_people() -> None:
    made = release(results_of({ALL: (20, 15, 3, 11)}), approval=Approval("medical director", "wanted"))
    assert made.counts["fn"].item() is None


@pytest.mark.parametrize(
    ("role", "reason", "said"),
    [
        ("John Smith", "wanted", "a role of one to five words"),
        ("", "wanted", "a role of one to five words"),
        ("medical director", " ", "the reason must be one line"),
        ("medical director", "one\ntwo", "the reason must be one line"),
    ],
)
def test_who_approved_is_a_role_and_the_reason_one_line(role: str, reason: str, said: str) -> None:
    with pytest.raises(DisclosureError, match=said):
        Approval(role, reason)


def test_what_is_no_release_is_refused_however_it_is_built(tmp_path: Path) -> None:
    (tmp_path / "release.json").write_text("[" * 100_000, encoding="utf-8")
    with pytest.raises(DisclosureError, match="is no release folder"):
        read_release(tmp_path)


def test_a_knee_is_not_a_person() -> None:
    counted = tallies({ALL: (16, 40, 20, 90)}).with_columns(tp_tp=pl.lit(32))
    counts = counts_of(counted)
    assert counts.fewest[row()]["tp"] == 8
    assert counts.is_small(Side(row(), "with_condition"))


def test_results_without_counts_are_refused() -> None:
    made = results_of(SEXES)
    with pytest.raises(ResultsError, match="tallies"):
        release(Results({}, made.provenance))


def test_a_folder_that_is_no_release_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DisclosureError, match="no release"):
        read_release(tmp_path)


def test_the_same_results_give_the_same_bytes(tmp_path: Path) -> None:
    first, second = (release(results_of(SEXES)).write(tmp_path / name) for name in "ab")
    assert [path.read_bytes() for path in sorted(first.iterdir())] == [
        path.read_bytes() for path in sorted(second.iterdir())
    ]


@pytest.mark.parametrize("seed", range(40))
def test_bounds_are_exact(seed: int) -> None:
    """Against every way to fill in the hidden counts of two groupings of a small table."""
    chance = random.Random(seed)
    values = {("sex", name): chance.randint(0, 3) for name in "fm"}
    total = sum(values.values())
    first = chance.randint(0, total)
    second = chance.randint(0, total - first)
    values |= {("acuity", "a"): first, ("acuity", "b"): second, ("acuity", "c"): total - first - second, ALL: total}
    known = {key: value if chance.random() < 0.5 else None for key, value in values.items()}
    rows = {key: row(*key) for key in values}
    found = ranges(rows.values(), {rows[key]: {"tp": value} for key, value in known.items()})
    top = 12
    fits: dict[tuple[str, str], set[int]] = {key: set() for key in values}
    for whole in range(top + 1) if known[ALL] is None else [known[ALL]]:
        parts = {
            group_by: [
                guess
                for guess in itertools.product(
                    *(range(top + 1) if known[key] is None else [known[key]] for key in values if key[0] == group_by)
                )
                if sum(guess) == whole
            ]
            for group_by in ("sex", "acuity")
        }
        if all(parts.values()):
            fits[ALL].add(whole)
            for group_by, guesses in parts.items():
                for place, key in enumerate(key for key in values if key[0] == group_by):
                    fits[key] |= {guess[place] for guess in guesses}
    for key, value in known.items():
        if value is None:
            span = found[Side(rows[key], "with_condition"), "tp"]
            assert span.low == min(fits[key])
            assert span.high == max(fits[key]) or span.high >= UNBOUNDED - 100


@pytest.mark.parametrize("seed", range(25))
def test_nothing_hidden_is_ever_given_back(seed: int) -> None:
    chance = random.Random(seed)

    def cells() -> tuple[int, int, int, int]:
        return tuple(chance.choice([0, 1, 4, 12, 15, 30, 60]) for _ in range(4))  # type: ignore[return-value]

    def added(tables: list[tuple[int, int, int, int]]) -> tuple[int, int, int, int]:
        return tuple(map(sum, zip(*tables, strict=True)))  # type: ignore[return-value]

    by_sex = [cells() for _ in range(4)]
    acute = tuple(chance.randint(0, count) for count in added(by_sex))
    chronic = tuple(count - part for count, part in zip(added(by_sex), acute, strict=True))
    tables = {("sex", name): table for name, table in zip("abcd", by_sex, strict=True)}
    tables |= {("acuity", "acute"): acute, ("acuity", "chronic"): chronic, ALL: added(by_sex)}  # type: ignore[dict-item]
    made = release(results_of(tables))
    assert leaks(made) == []
    hidden = made.counts.filter(pl.any_horizontal(pl.col(CELLS).is_null()))
    small = [key for key, table in tables.items() if any(1 <= count <= 10 for count in table)]
    assert {*small} <= {*hidden.select("group_by", "group").iter_rows()}


def test_a_range_of_zero_says_nothing_of_anybody() -> None:
    assert not Range(0, 0).gives_back
    assert Range(1, 1).gives_back
    assert not Range(0, 40).gives_back
    assert Range(31, 31).beyond(30).gives_back


def test_counts_that_contradict_each_other_are_a_fault() -> None:
    with pytest.raises(ValueError, match="add up"):
        given_back([row(), row("sex", "f")], {row(): {"tp": 5}, row("sex", "f"): {"tp": 9}})


def test_hiding_is_empty_without_counts() -> None:
    assert hide(Counts({}, {}, {})).reasons == {}


def test_a_comparison_does_not_tell_how_few_knees_lacked_one_of_the_two() -> None:
    """77 of 96 knees with both, of 80 of 100 with the first: 80.2% gives 96 back, and so the 4 without the second."""
    both = ("lachman", "anterior_drawer")
    shown = {("acl_tear", name, "overall", "all"): {"tp": 80, "fp": 40, "fn": 20, "tn": 60} for name in both}
    counts = Counts(
        knees={Row(*key): cells for key, cells in shown.items()},
        fewest={Row(*key): cells for key, cells in shown.items()},
        participants={Row(*key): 200 for key in shown},
    )
    line = {"condition": "acl_tear", "maneuver_a": both[0], "maneuver_b": both[1], "group_by": "overall"}
    line |= {
        "adjustment": "none",
        "measure": "sensitivity",
        "only_a": 30,
        "only_b": 25,
        "n": 96,
        "status": "exploratory",
    }
    values = {"estimate_a": 77 / 96, "estimate_b": 72 / 96, "p_value": 0.5043, "p_adjusted": 0.5043}
    rows = [
        line | values | {"contrast": "difference", "difference": 5 / 96, "ci_low": -0.0987, "ci_high": 0.2013},
        line | values | {"contrast": "ratio", "difference": 77 / 72, "ci_low": 0.8821, "ci_high": 1.2964},
    ]
    found = comparison_figures(pl.DataFrame(rows, infer_schema_length=None), hide(counts))
    assert found["estimate_a"].to_list() == [0.8, 0.8]
    assert found["difference"].to_list() == [0.05, 1.1]
    assert found.select("ci_low", "ci_high").rows() == [(-0.1, 0.2), (0.88, 1.3)]
    assert found["p_value"].to_list() == [0.504, 0.504]


def test_an_earlier_release_that_was_changed_is_refused(tmp_path: Path) -> None:
    folder = release(results_of(SEXES)).write(tmp_path)
    counts = folder / "counts.csv"
    counts.write_text(counts.read_text(encoding="utf-8").replace("60", "90", 1), encoding="utf-8")
    with pytest.raises(DisclosureError, match="was changed"):
        read_release(folder)
