"""Random registries: every comparison counts the knees that plain Python counts."""

from __future__ import annotations

from itertools import combinations

import pytest
from brute_force import BruteForce
from clinic import Row, connect
from random_clinic import random_clinic

from examtally.analytics.comparison.interactions import interactions_table
from examtally.analytics.comparison.tables import comparisons_table
from examtally.analytics.verification_bias.knees import every_condition
from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol


@pytest.mark.parametrize(("seed", "equivocal"), [(2701, "excluded"), (2702, "positive")])
def test_every_count_equals_brute_force(seed: int, equivocal: str, contract: Contract) -> None:
    protocol = load_protocol({"equivocal": equivocal}, contract)
    records = random_clinic(seed, contract, people=60)
    plain = BruteForce(records, contract, protocol)
    with build_cohort(connect(contract, records), contract, protocol) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, protocol)
    knees = every_condition(frame, contract, protocol)
    table = comparisons_table(knees, {}, protocol).filter(group_by="overall", adjustment="none", contrast="difference")
    rows = {(r["condition"], r["maneuver_a"], r["maneuver_b"], r["measure"]): r for r in table.to_dicts()}
    between = interactions_table(knees, protocol).filter(adjustment="none").to_dicts()
    seen = 0
    for condition, of in knees.items():
        for a, b in combinations(of.maneuvers, 2):
            exams = [
                e for e in records.rows("exams") if _counts(plain, e, condition, a) and _counts(plain, e, condition, b)
            ]
            for measure, status, right in (
                ("sensitivity", "present", "positive"),
                ("specificity", "absent", "negative"),
            ):
                own = [e for e in exams if plain.standard(e, condition) == status]
                alone = [sum(_right(plain, e, right, x, y) for e in own) for x, y in ((a, b), (b, a))]
                row = rows[condition, a, b, measure]
                people = len({e["participant_id"] for e in own})
                assert (row["n"], row["only_a"], row["only_b"], row["participants"]) == (len(own), *alone, people)
                seen += len(own)
    assert seen > 150
    for row in between:
        status = "present" if row["measure"] == "sensitivity" else "absent"
        counted = [
            e
            for e in records.rows("exams")
            if _counts(plain, e, row["condition"], row["maneuver"]) and plain.standard(e, row["condition"]) == status
        ]
        groups = [plain.group(e, row["group_by"]) for e in counted]
        assert (row["n_a"], row["n_b"]) == (groups.count(row["group_a"]), groups.count(row["group_b"]))


def _counts(plain: BruteForce, exam: Row, condition: str, maneuver: str) -> bool:
    return plain.reason(exam, condition, maneuver) == "analysed"


def _right(plain: BruteForce, exam: Row, right: str, one: str, other: str) -> bool:
    return plain.result(exam, one) == right != plain.result(exam, other)
