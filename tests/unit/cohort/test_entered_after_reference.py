"""An amendment after the answer is not used: against a plain model of the rule, over many histories."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest
from clinic import Records, connect, small_contract

from examtally.cohort.cohort import build_cohort
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.ddl import REPLACED_BY, create_statement

Versions = tuple[tuple[int, str], ...]
OFTEN = [*product([(1, 3), (1, 2, 4), (3, 4)], [None, 2, 3]), ((1,), 4)]


def used(versions: Versions, answered: int | None) -> tuple[int, str]:
    """The last version that came no later than the reference, or else the first."""
    before = [one for one in versions if answered is None or one[0] <= answered]
    return before[-1] if before else versions[0]


def cohort_of(records: Records, replaced: list[tuple[str, dict[str, Any], int]]) -> Any:
    """A cohort of records and of replaced versions (table, row with its batch, batch that replaced it)."""
    contract = small_contract()
    records.exam("EX99", "PT99", complaint="no", period="2024-01")  # every window is closed
    con = connect(contract, records)
    con.execute("create schema reg.superseded")
    for table in contract.tables.values():
        con.execute(create_statement(table, "reg.superseded", (REPLACED_BY,)))
    for name, values, by in replaced:
        row = {"joint": "knee", **values} if name in ("exams", "references") else values
        columns = [*row, REPLACED_BY]
        con.execute(
            f'insert into reg.superseded."{name}" ({", ".join(columns)}) values ({", ".join("?" * len(columns))})',
            [*row.values(), by],
        )
    return build_cohort(con, contract, Protocol.defaults(contract))


@pytest.mark.parametrize(
    ("batches", "answered"),
    [
        pytest.param(*one, marks=[] if one in OFTEN else pytest.mark.study)
        for one in product([(1,), (1, 3), (2, 3), (1, 2, 4), (3, 4), (2, 3, 4)], [None, 1, 2, 3, 4])
    ],
)
def test_the_version_before_the_reference_is_used(batches: tuple[int, ...], answered: int | None) -> None:
    results = ("positive", "negative", "positive", "negative")
    versions = tuple(zip(batches, results, strict=False))
    key = {"exam_id": "EX1", "maneuver": "drawer"}
    *earlier, newest = versions
    records = Records().exam("EX1").finding("EX1", "drawer", newest[1], batch_no=newest[0])
    records.reference("ligament", "present", 5, batch_no=answered or 99)
    if answered is None:
        records.tables["references"][0]["participant_id"] = "PT9"
    replaced = [
        ("findings", {**key, "result": result, "batch_no": no}, by)
        for (no, result), (by, _) in zip(earlier, versions[1:], strict=True)
    ]
    number, result = used(versions, answered)
    with cohort_of(records, replaced) as cohort:
        row = cohort.tallies().filter(maneuver="drawer", group_by="overall").row(0, named=True)
        summary = {(r["item"], r["group"]): r["value"] for r in cohort.summary().iter_rows(named=True)}
        if answered is not None:
            assert (row["tp"], row["fn"]) == ((1, 0) if result == "positive" else (0, 1))
        assert summary["entered_late", "findings"] == int(answered is not None and number > answered)
        assert summary["amended_late", "findings"] == int(number != newest[0])
        assert cohort.flow()["exams"].sum() == 2 * len(small_contract().catalogue.pairs)


def test_an_exam_moved_out_of_its_episode_after_the_answer_stays_in_it() -> None:
    """The newest version says the right knee; the left one's reading came in batch 2, the change in batch 3."""
    records = Records().exam("EX1", side="right", batch_no=3).finding("EX1", "drawer")
    records.reference("ligament", "present", 5, batch_no=2)
    old = Records().exam("EX1").rows("exams")[0] | {"batch_no": 1}
    with cohort_of(records, [("exams", old, 3)]) as cohort:
        assert cohort.tallies().filter(maneuver="drawer", group_by="overall")["tp"].to_list() == [1]
        late = cohort.summary().filter(item="amended_late", group="exams")
        assert late["value"].to_list() == [1]


def test_a_reference_that_was_amended_answers_from_its_first_version_on() -> None:
    records = Records().exam("EX1").finding("EX1", "drawer", "negative", batch_no=3)
    records.reference("ligament", "present", 5, batch_no=4)
    row = records.rows("references")[0] | {"status": "absent", "batch_no": 2}
    old = {"exam_id": "EX1", "maneuver": "drawer", "result": "positive", "batch_no": 1}
    with cohort_of(records, [("references", row, 4), ("findings", old, 3)]) as cohort:
        assert cohort.tallies().filter(maneuver="drawer", group_by="overall")["tp"].to_list() == [1]
