"""The tables about examiners and sites: whose knees stand behind each row, and what each row says."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from clinic import connect, small_contract
from random_clinic import random_clinic

from examtally.analytics.bias_adjusted.draws import StatusDraws, pack
from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.examiner_effects.tables import PoolingTables, pooling_tables
from examtally.cohort.cohort import build_cohort
from examtally.cohort.groupings import read_examiners
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.protocol.protocol import load_protocol

CONTRACT = small_contract()
PAIR = {"condition": "ligament", "maneuver": "drawer"}
Status = tuple[StatusRecords, BiasModels]
RIGHT = {"sensitivity": ("present", "positive"), "specificity": ("absent", "negative")}
CLEAR = pl.col("result_drawer").is_in(["positive", "negative"])


def made_of(frame: pl.DataFrame, examiners: tuple[str, ...], status: Status | None = None) -> PoolingTables:
    return pooling_tables(frame, examiners, CONTRACT, load_protocol({}, CONTRACT), status)


def status_of(frame: pl.DataFrame) -> Status:
    """Draws of who has a torn ligament, each exam on a knee of its own: known where verified, else a toss of a coin."""
    rng, knees = np.random.default_rng(9), np.arange(frame.height)
    status = frame["status_ligament"].cast(pl.String).to_numpy()
    known = np.select([status == "present", status == "absent"], [1.0, 0.0], 0.5)
    draws = StatusDraws(knees, knees, pack(rng.random((knees.size, 400)) < known[:, None]), known, 400, 1)
    model = SimpleNamespace(
        knees=SimpleNamespace(rows=knees, condition="ligament"), draws=draws,
        r_hat=1.0, parts=(), present_share=0.5, false_alarms=0.0,
    )  # fmt: skip
    records = StatusRecords(frame.with_columns(knee=pl.Series(knees)), pl.DataFrame(), pl.DataFrame())
    return records, BiasModels({"ligament": model}, {})  # type: ignore[dict-item]


@pytest.fixture(scope="module")
def read() -> tuple[pl.DataFrame, tuple[str, ...]]:
    """The frame of a clinic of four examiners and, drawn anew, three sites and one that is not known.

    Everybody is there twice, so that knees and people differ in number.
    """
    resolved = load_protocol({}, CONTRACT)
    with build_cohort(connect(CONTRACT, random_clinic(5, CONTRACT, people=60)), CONTRACT, resolved) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, CONTRACT, resolved)
        examiners = read_examiners(cohort.con)
    many = pl.concat(
        [frame.with_columns(participant=pl.col("participant") + 1000 * (number // 2)) for number in range(24)]
    )
    sites = np.random.default_rng(5).choice(["S1", "S2", "S3", "unknown"], many.height)
    return many.with_columns(site=pl.Series(sites, dtype=pl.Enum(["S1", "S2", "S3", "unknown"]))), examiners


@pytest.fixture(scope="module")
def made(read: tuple[pl.DataFrame, tuple[str, ...]]) -> PoolingTables:
    return made_of(*read)


def knees(frame: pl.DataFrame, group: pl.Expr, measure: str) -> tuple[int, int, int]:
    """Knees, events and people of one measure, counted anew."""
    status, result = RIGHT[measure]
    seen = frame.filter(group, CLEAR, pl.col("status_ligament") == status)
    return seen.height, seen.filter(pl.col("result_drawer") == result).height, seen["participant"].n_unique()


@pytest.mark.parametrize("adjustment", ["pooled", "pooled_verification", "pooled_case_mix"])
@pytest.mark.parametrize("measure", list(RIGHT))
def test_each_examiner_has_the_first_exams_of_an_episode_that_were_their_own(
    read: tuple[pl.DataFrame, tuple[str, ...]], made: PoolingTables, measure: str, adjustment: str
) -> None:
    frame, examiners = read
    rows = made.accuracy.filter(**PAIR, measure=measure, adjustment=adjustment, group_by="examiner")
    assert rows.height >= 3
    assert rows["participants"].sum() < rows["n"].sum()
    for row in rows.iter_rows(named=True):
        own = pl.col("examiner") == examiners.index(row["group"]) + 1
        assert (row["n"], row["events"], row["participants"]) == knees(frame, own, measure)
    whole = made.accuracy.filter(**PAIR, measure=measure, adjustment=adjustment, group_by="overall").row(0, named=True)
    assert (whole["n"], whole["events"]) == (rows["n"].sum(), rows["events"].sum())
    assert whole["generalises_to"] == "new_examiners"


@pytest.mark.parametrize("measure", list(RIGHT))
def test_each_site_has_the_first_exam_of_every_episode_seen_there(
    read: tuple[pl.DataFrame, tuple[str, ...]], made: PoolingTables, measure: str
) -> None:
    frame, _ = read
    rows = made.accuracy.filter(**PAIR, measure=measure, adjustment="pooled", group_by="site")
    assert rows.height >= 3
    assert "unknown" not in rows["group"].to_list()
    for row in rows.iter_rows(named=True):
        there = (pl.col("site") == row["group"]) & pl.col("index_ligament")
        assert (row["n"], row["events"], row["participants"]) == knees(frame, there, measure)


def test_a_spread_is_given_for_examiners_and_for_sites_by_each_adjustment(made: PoolingTables) -> None:
    rows = made.spread.filter(**PAIR)
    assert set(zip(rows["between"], rows["adjustment"], rows["measure"], strict=True)) == {
        (between, adjustment, measure)
        for between in ("examiners", "sites")
        for adjustment in ("pooled", "pooled_verification", "pooled_case_mix")
        for measure in RIGHT
    }
    assert rows.filter(pl.col("predict_low") >= pl.col("ci_low")).is_empty()
    assert rows.filter(pl.col("predict_high") <= pl.col("ci_high")).is_empty()


def test_no_signal_about_a_person_comes_without_a_model_of_who_has_the_condition(made: PoolingTables) -> None:
    assert made.probability.is_empty()
    bare = made.accuracy.filter(pl.col("adjustment") == "pooled")["note"].drop_nulls()
    assert all("Verified «nouns» only" in note for note in bare)


def thinned(frame: pl.DataFrame, examiner: int, people: int) -> pl.DataFrame:
    """The frame in which only so many people of one examiner have a known ligament tear."""
    torn = (pl.col("examiner") == examiner) & (pl.col("status_ligament") == "present")
    kept = frame.filter(torn, CLEAR)["participant"].unique().sort().head(people).implode()
    return frame.filter(~torn | pl.col("participant").is_in(kept))


@pytest.mark.parametrize(
    ("people", "is_given", "flag", "words"),
    [
        (2, False, "too_few", "Too few participants for a figure."),
        (3, True, "too_few", "Mostly the group's figure."),
        (9, True, "too_few", "Mostly the group's figure."),
        (10, True, None, ""),
    ],
)
def test_under_three_people_no_figure_and_under_ten_it_is_the_groups(
    read: tuple[pl.DataFrame, tuple[str, ...]], people: int, is_given: bool, flag: str | None, words: str
) -> None:
    frame, examiners = read
    torn = frame.filter(pl.col("status_ligament") == "present", CLEAR)
    most = torn["examiner"].value_counts(sort=True)["examiner"][0]
    fewer = thinned(frame, most, people)
    tables = made_of(fewer, examiners, status_of(fewer))
    who = examiners[most - 1]
    key = {**PAIR, "measure": "sensitivity"}
    row = tables.accuracy.filter(**key, adjustment="pooled", group_by="examiner", group=who).row(0, named=True)
    assert row["participants"] == people
    assert (row["estimate"] is not None, row["flag"]) == (is_given, flag)
    assert row["display"] == ("estimate" if is_given else "counts_only")
    assert row["note"].startswith(words)
    chance = tables.probability.filter(**key, examiner_id=who).row(0, named=True)
    assert ((chance["probability_below"] is not None), chance["flag"]) == (is_given, flag)
    led = tables.accuracy.filter(**key, adjustment="pooled_bias_adjusted", group_by="examiner", group=who)
    assert (led["estimate"].item() is not None, led["participants"].item()) == (is_given, people)


def test_two_examiners_and_two_sites_get_no_spread(read: tuple[pl.DataFrame, tuple[str, ...]]) -> None:
    frame, examiners = read
    sites = frame["site"].cast(pl.String)
    two = frame.filter(pl.col("examiner") <= 2, sites.is_in(sorted(set(sites) - {"unknown"})[:2]))
    assert made_of(two, examiners).spread.is_empty()
    assert made_of(frame.clear(), ()).accuracy.is_empty()
