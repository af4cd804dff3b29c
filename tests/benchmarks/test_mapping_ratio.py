"""Five million findings in a wide export through a mapping, against the same rows in files of our own form."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest
from timed import timed_ingest

from examtally.contracts.contract import load_contract

VISITS, MANEUVERS = 62_500, 40
FINDINGS = 2 * VISITS * MANEUVERS
AIM, MEMORY_GB = 2.0, 4.0

MAPPING = """
title: wide
sources:
  wide: {files: "wide.csv"}
tables:
  exams:
    each: {side: {L: left, R: right}}
    columns:
      exam_id: {join: [visit, {each: side}]}
      participant_id: person
      side: {each: side}
      examiner_id: examiner
      period: period
      exam_day: day
  findings:
    each: {side: {L: left, R: right}, maneuver: catalogue}
    cell: "{maneuver}_{side}"
    columns:
      exam_id: {join: [visit, {each: side}]}
      maneuver: {each: maneuver}
      result: {parts: {"+": positive, "1+": positive, "2+": positive, neg: negative, nd: not_done}}
      grade: {parts: {"1+": 1, "2+": 2}, where_listed: true}
      end_point: {parts: {soft: soft, firm: firm}}
"""


def _write_files(folder: Path) -> None:
    """The same visits twice: one row a visit with 80 columns of findings, and exams and findings in our own form."""
    maneuvers = list(load_contract().catalogue.maneuvers.values())[:MANEUVERS]
    con = duckdb.connect()
    con.execute(
        f"""create table visits as select 'VS-' || lpad(i::varchar, 6, '0') as visit,
            'PT-' || lpad((i // 2)::varchar, 6, '0') as person, 'EM-' || lpad((i % 12)::varchar, 2, '0') as examiner,
            'P' || lpad((1 + i * 18 // {VISITS})::varchar, 3, '0') as period, i % 2 as "day"
            from range({VISITS}) t(i)"""
    )
    cells = "['+', 'neg', 'neg', '1+', '2+ soft', 'neg firm', 'nd']"
    columns = ", ".join(
        f"{cells}[1 + (hash(visit, '{one.code}', '{side}') % 7)::integer] as {one.code}_{side}"
        for one in maneuvers
        for side in "LR"
    )
    con.execute(f"create table wide as select *, {columns} from visits")
    con.execute(f"copy wide to '{folder / 'wide.csv'}' (header)")
    sides = "(values ('L', 'left'), ('R', 'right')) sides(letter, side)"
    con.execute(
        f"copy (select visit || '-' || letter as exam_id, person as participant_id, side, examiner as examiner_id, "
        f"period, \"day\" as exam_day from visits, {sides} order by all) to '{folder / 'exams.csv'}' (header)"
    )
    graded = ", ".join(f"'{one.code}'" for one in maneuvers if len(one.grades) > 2)
    con.execute(
        f"""copy (
            select visit || '-' || right(name, 1) as exam_id, name[:-3] as maneuver,
                case when starts_with(cell, 'neg') then 'negative' when cell = 'nd' then 'not_done' else 'positive' end
                    as result,
                case when name[:-3] in ({graded}) and cell[2:2] = '+' then cell[1:1] end as grade,
                case when contains(cell, 'soft') then 'soft' when contains(cell, 'firm') then 'firm' end as end_point
            from (unpivot wide on columns('.*_[LR]$') into name name value cell) order by 1, 2
        ) to '{folder / "findings.csv"}' (header)"""
    )
    (folder / "wide.yaml").write_text(MAPPING, encoding="utf-8")


@pytest.mark.benchmark_ratio
def test_a_wide_export_against_our_own_form(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _write_files(tmp_path)
    own = timed_ingest(tmp_path / "own.duckdb", tmp_path / "exams.csv", tmp_path / "findings.csv")
    wide = timed_ingest(tmp_path / "wide.duckdb", tmp_path / "wide.csv", mapping=tmp_path / "wide.yaml")
    assert own.stored == wide.stored == {"exams": 2 * VISITS, "findings": FINDINGS}
    assert wide.peak_gb < MEMORY_GB
    ratio = wide.cpu / own.cpu
    with capsys.disabled():
        print(f"\n{FINDINGS:,} findings: ratio of processor time {ratio:.2f} (aim {AIM}); at most {MEMORY_GB} GB")
        print(f"   own form {own}\n   through a mapping {wide}")
    assert ratio <= AIM
