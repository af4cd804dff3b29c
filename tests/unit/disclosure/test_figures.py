"""Which rows of the tables of figures go out, and with which digits."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from released_tables import ALL, lachman, tallies_of

from examtally.disclosure.figures import agreement_figures, comparison_figures, interaction_figures, spread_figures
from examtally.disclosure.selection import Selection
from examtally.disclosure.tables import Row, tables_of

TABLES = lachman({ALL: (80, 40, 20, 60), ("sex", "female"): (40, 20, 11, 30), ("sex", "male"): (40, 20, 11, 30)})
TABLES[("acl_tear", "anterior_drawer", *ALL)] = (75, 40, 25, 60)
CHOSEN = Selection(tables_of(tallies_of(TABLES)), {})


def without(row: Row) -> Selection:
    return replace(CHOSEN, tables={one: table for one, table in CHOSEN.tables.items() if one != row})


def compared(**changes: object) -> pl.DataFrame:
    """96 pairs: 60 right by both, 15 by the first alone, 11 by the second alone, 12 by neither, less what changes."""
    line = {"condition": "acl_tear", "maneuver_a": "lachman", "maneuver_b": "anterior_drawer", "group_by": "overall"}
    line |= {"group": "all", "adjustment": "none", "measure": "sensitivity", "contrast": "difference", "n": 98}
    line |= {"estimate_a": 75 / 98, "difference": 4 / 98, "ci_low": -0.0587, "ci_high": 0.1413, "only_a": 15}
    line |= {"only_b": 11, "participants": 98, "status": "exploratory", "p_value": 0.5043}
    return pl.DataFrame([line | changes])


def test_a_comparison_goes_out_as_a_difference_in_whole_points_and_nothing_else() -> None:
    found = comparison_figures(compared(), CHOSEN)
    assert found.select("difference", "ci_low", "ci_high").rows() == [(0.04, -0.06, 0.14)]
    assert not {"n", "only_a", "only_b", "p_value", "estimate_a", "participants"} & set(found.columns)


@pytest.mark.parametrize(
    "changes",
    [
        {"only_a": 10},
        {"only_b": 10},
        {"participants": 97},  # one of the eleven may be a further knee of somebody
        {"estimate_a": 25 / 98},  # ten right by both
        {"estimate_a": 77 / 98},  # ten right by neither
        {"contrast": "ratio"},
        {"measure": "ppv"},
        {"group_by": "sex"},
        {"adjustment": "begg_greenes"},
    ],
)
def test_a_comparison_with_a_small_count_behind_it_does_not_go_out(changes: dict[str, object]) -> None:
    assert comparison_figures(compared(**changes), CHOSEN).is_empty()


@pytest.mark.parametrize("maneuver", ["lachman", "anterior_drawer"])
def test_a_comparison_needs_both_tables(maneuver: str) -> None:
    assert comparison_figures(compared(), without(Row("acl_tear", maneuver))).is_empty()


def test_groups_are_compared_where_both_go_out() -> None:
    line = {"condition": "acl_tear", "maneuver": "lachman", "group_by": "sex", "group_a": "female", "group_b": "male"}
    line |= {"adjustment": "none", "measure": "sensitivity", "estimate_a": 0.784, "estimate_b": 0.784}
    frame = pl.DataFrame([line | {"difference": 0.004, "ci_low": -0.151, "ci_high": 0.151, "status": "exploratory"}])
    assert interaction_figures(frame, CHOSEN).select("difference", "ci_low").rows() == [(0.0, -0.15)]
    assert interaction_figures(frame, without(Row("acl_tear", "lachman", "sex", "male"))).is_empty()


def agreed(both: int, unlike: int, neither: int, participants: int | None = None) -> pl.DataFrame:
    pairs = both + unlike + neither
    line = {"maneuver": "lachman", "group_by": "overall", "group": "all", "pairs": pairs, "ci_low": 0.1, "ci_high": 0.9}
    line |= {"participants": pairs if participants is None else participants, "status": "exploratory"}
    observed, positive = (both + neither) / pairs, (both + unlike / 2) / pairs
    chance = 2 * positive * (1 - positive)
    values = {"observed_agreement": observed, "gwet_ac1": (observed - chance) / (1 - chance)}
    values |= {"cohen_kappa": 0.417, "bias_index": 0.05}
    return pl.DataFrame([line | {"statistic": name, "estimate": value} for name, value in values.items()])


def test_agreement_goes_out_where_every_kind_of_pair_is_enough() -> None:
    found = agreement_figures(agreed(11, 11, 11), CHOSEN)
    assert found["statistic"].to_list() == ["observed_agreement", "gwet_ac1", "cohen_kappa"]
    assert found["estimate"].to_list() == [0.67, 0.33, 0.42]
    assert not agreement_figures(agreed(22, 22, 22, 30), CHOSEN).is_empty()
    for few in (
        (21, 22, 22, 30),
        (22, 21, 22, 30),
        (22, 22, 21, 30),
        (30, 0, 30),
        (0, 30, 30),
        (10, 11, 11),
        (11, 10, 11),
        (11, 11, 10),
        (11, 11, 11, 32),
    ):
        assert agreement_figures(agreed(*few), CHOSEN).is_empty()


def test_the_spread_of_examiners_needs_five_of_them_and_a_corrected_table() -> None:
    line = {"condition": "acl_tear", "maneuver": "lachman", "measure": "sensitivity", "between": "examiners"}
    line |= {"adjustment": "pooled_bias_adjusted", "status": "exploratory", "examiners": 5}
    frame = pl.DataFrame([line | dict.fromkeys(("mean", "ci_low", "ci_high", "predict_low", "predict_high"), 0.719)])
    kept = spread_figures(frame, CHOSEN)
    assert (kept["mean"].to_list(), kept["adjustment"].to_list()) == ([0.72], ["pooled_bias_adjusted"])
    assert spread_figures(frame.with_columns(examiners=4), CHOSEN).is_empty()
    few = {row: replace(table, unverified=21) for row, table in CHOSEN.tables.items()}
    assert spread_figures(frame, replace(CHOSEN, tables=few)).is_empty()
