"""Charts of learning as a step of the analysis: about persons, and made only on request."""

from __future__ import annotations

import polars as pl

from examtally.registry import Registry
from examtally.results import Results, analyze


def test_students_have_a_chart_each_and_the_attending_none(results: Results) -> None:
    charts = results.learning.filter(condition="acl_tear", maneuver="lachman", outcome="reference")
    ends = charts.group_by("examiner_id", "among", maintain_order=True).last()
    assert ends["examiner_id"].unique().sort().to_list() == ["ER1", "ER2"]
    cases = ends.group_by("examiner_id", maintain_order=True).agg(pl.col("sequence").sum())
    assert cases["sequence"].to_list() == [17, 17], "50 verified knees, a third each"
    assert (ends["participants"] == ends["sequence"]).all()


def test_without_persons_the_table_is_empty_and_nothing_is_worked_out(registry: Registry) -> None:
    steps: list[str] = []
    assert analyze(registry, only="learning", progress=steps.append).learning.is_empty()
    assert steps == []


def test_a_protocol_decides_levels_roles_and_outcome(registry: Registry) -> None:
    def charts(**protocol: object) -> pl.DataFrame:
        return analyze(registry, protocol, with_examiners=True, only="learning").learning

    levels = charts(learning={"p_acceptable": 0.1, "planned": 90})["p_acceptable"]
    assert 0.1 < levels.min() < levels.max() < 0.3, "each side allows for what the reference errs there"
    assert charts(learning={"outcome": "supervisor"}).is_empty()
    assert charts(agreement={"learners": ["fellow"]}).is_empty()
