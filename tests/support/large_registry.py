"""A large made-up registry, written by DuckDB alone: for benchmarks, with no truth behind it."""

from __future__ import annotations

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.ddl import create_statements

MANEUVERS_AN_EXAM = 12.5
EXAMINERS = 200


def fill(con: duckdb.DuckDBPyConnection, contract: Contract, episodes: int = 320_000) -> None:
    """Fill the empty catalog `reg`: 1.25 exams an episode, 12 to 13 findings an exam, 40 % of the episodes imaged.

    With 320,000 episodes: 250,000 participants, 400,000 exams, some 5 million findings.
    """
    for statement in create_statements(contract):
        con.execute(statement)
    knees = f"""
        (select n, 'PT' || lpad((n * 25 // 32)::varchar, 7, '0') as participant_id,
            if(n % 2 = 0, 'left', 'right') as side, 1 + (n % 3 = 0)::integer as episode from range({episodes}) r(n))
    """
    selects = {
        "examiners": _examiners(contract),
        "participants": _participants(episodes * 25 // 32),
        "exams": _exams(contract, knees),
        "findings": _findings(contract),
        "references": _references(contract, knees),
    }
    for table, select in selects.items():
        con.execute(f'insert into reg."{table}" by name select 1 as batch_no, * from ({select})')


def _pick(codes: tuple[str, ...], salt: int, of: str = "n") -> str:
    """SQL that picks one of the codes by a hash of `of`."""
    listed = ", ".join(f"'{code}'" for code in codes)
    return f"[{listed}][1 + (hash({of}, {salt}) % {len(codes)})::integer]"


def _codes(contract: Contract, table: str, column: str) -> tuple[str, ...]:
    return contract.tables[table].field(column).enum or ()


def _examiners(contract: Contract) -> str:
    return f"""
        select 'E' || lpad(n::varchar, 3, '0') as examiner_id, 'SITE' || (n % 12) as site_id,
            {_pick(_codes(contract, "examiners", "role"), 1)} as role from range({EXAMINERS}) r(n)
    """


def _participants(people: int) -> str:
    return f"""
        select 'PT' || lpad(n::varchar, 7, '0') as participant_id, (hash(n, 2) % 90)::integer as age_years,
            {_pick(("female", "male"), 3)} as sex, 18 + (hash(n, 4) % 20)::integer as bmi from range({people}) r(n)
    """


def _exams(contract: Contract, knees: str) -> str:
    return f"""
        select 'EX' || lpad((n * 2 + again)::varchar, 8, '0') as exam_id, participant_id, side, episode,
            'E' || lpad((hash(n, again, 5) % {EXAMINERS})::varchar, 3, '0') as examiner_id, 1 as examiner_order,
            strftime(date '2023-01-01' + to_months((hash(n, 6) % 24)::integer), '%Y-%m') as period,
            again * (hash(n, 7) % 3)::integer as exam_day, if(hash(n, 8) % 10 = 0, 'no', 'yes') as complaint,
            {_pick(("clinic", "urgent_care", "emergency", "sideline"), 9)} as setting,
            (hash(n, 10) % 200)::integer as days_since_onset, 35 + (hash(n, 11) % 30)::integer as thigh_cm,
            {_pick(_codes(contract, "exams", "effusion"), 12)} as effusion,
            {_pick(_codes(contract, "exams", "guarding"), 13)} as guarding,
            {_pick(("no", "no", "no", "no", "yes", "unknown"), 14)} as reference_known
        from {knees}, range(2) again(again) where again = 0 or n % 4 = 0
    """


def _findings(contract: Contract) -> str:
    maneuvers = ", ".join(f"('{code}')" for code in contract.catalogue.maneuvers)
    share = round(MANEUVERS_AN_EXAM / len(contract.catalogue.maneuvers) * 10_000)
    others = _pick(("negative", "negative", "negative", "negative", "equivocal", "not_done"), 17, "exam_id || maneuver")
    return f"""
        select exam_id, maneuver, if(hash(exam_id, maneuver, 16) % 8 = 0, 'positive', {others}) as result
        from reg.exams, (values {maneuvers}) m(maneuver) where hash(exam_id, maneuver, 15) % 10000 < {share}
    """


def _references(contract: Contract, knees: str) -> str:
    settled = (c.code for c in contract.catalogue.conditions.values() if "mri" in c.modalities and not c.derived_from)
    conditions = ", ".join(f"('{code}')" for code in settled)
    return f"""
        select 'RD' || lpad((n * 2 + scope)::varchar, 8, '0') as reference_id, participant_id, side, episode,
            if(scope = 1, 'arthroscopy', 'mri') as modality,
            4 + 20 * scope + (hash(n, 18) % 60)::integer as reference_day, condition,
            {_pick(("present", "absent", "absent", "indeterminate"), 19, "n, condition")} as status
        from {knees}, range(2) scope(scope), (values {conditions}) c(condition)
        where n % 5 < 2 and (scope = 0 or n % 10 = 0)
    """
