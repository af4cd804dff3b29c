"""How long the corrections for who was verified take on a large registry, against counting it once."""

from __future__ import annotations

import time

import duckdb
import pytest
from large_registry import fill

from examtally.analytics.verification_bias.knees import every_condition
from examtally.analytics.verification_bias.tables import verification_tables
from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import read_verification_frame, verification_groups
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

EPISODES = 110_000
MOST_SECONDS = 120


@pytest.mark.benchmark_ratio
def test_every_pair_of_a_hundred_thousand_exams(contract: Contract, protocol: Protocol) -> None:
    con = duckdb.connect()
    con.execute("set enable_progress_bar = false")
    con.execute("attach ':memory:' as reg")
    fill(con, contract, EPISODES)
    begin = time.perf_counter()
    with build_cohort(con, contract, protocol) as cohort:
        cohort.tallies()
        counted = time.perf_counter()
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, protocol)
        read = time.perf_counter()
        every = every_condition(frame, contract, protocol)
        tables = verification_tables(every, verification_groups(cohort.groupings), protocol)
    done = time.perf_counter()
    print(
        f"\n{frame.height} index exams, {tables.corrected.height} corrected figures: cohort and tallies "
        f"{counted - begin:.1f} s, frame {read - counted:.1f} s, corrections {done - read:.1f} s "
        f"(ratio {(done - counted) / (counted - begin):.1f})"
    )
    assert frame.height >= 100_000
    assert tables.models["converged"].all()
    assert done - counted < MOST_SECONDS
