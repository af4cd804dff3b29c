"""Observations of HL7 FHIR R4 in Bulk Data files, against the same findings in files of our own form."""

from __future__ import annotations

from math import log
from pathlib import Path

import duckdb
import pytest
from timed import timed_ingest

from examtally.contracts.contract import load_contract

EACH = 40
SIZES = (500_000, 2_500_000)
AIM, MEMORY_GB = 4.0, 3.0

MAPPING = """
title: a hospital feed
sources:
  visits:
    files: "Encounter*.ndjson"
    fhir:
      resource: Encounter
      columns:
        exam: id
        patient: subject.reference
        examiner: participant.individual.reference
        side: extension.where(url='urn:side').valueCode
        period: extension.where(url='urn:period').valueString
        day: extension.where(url='urn:day').valueInteger
    ignore: [class]
  findings:
    files: "Observation*.ndjson"
    fhir:
      resource: Observation
      columns:
        exam: encounter.reference
        test: code.coding.where(system='urn:maneuvers').code
        result: [valueCodeableConcept.coding.code, dataAbsentReason.coding.code]
tables:
  exams:
    from: visits
    columns: {exam_id: exam, participant_id: patient, side: side, examiner_id: examiner, period: period, exam_day: day}
  findings:
    from: findings
    columns: {exam_id: exam, maneuver: test, result: {column: result, codes: {not-performed: not_done}}}
"""


def _write_files(folder: Path, findings: int) -> None:
    """The same exams and findings twice: in our own form, and as Encounters and Observations."""
    exams = findings // EACH
    con = duckdb.connect()
    codes = list(load_contract().catalogue.maneuvers)[:EACH]
    con.execute("create table maneuvers as select unnest(?::varchar[]) as maneuver", [codes])
    con.execute(
        f"""create table exams as select 'EX-' || lpad(i::varchar, 6, '0') as exam_id,
            'PT-' || lpad((i // 2)::varchar, 6, '0') as participant_id, if(i % 2 = 0, 'left', 'right') as side,
            'EM-' || lpad((i % 12)::varchar, 2, '0') as examiner_id,
            'P' || lpad((1 + i * 18 // {exams})::varchar, 3, '0') as period, i % 2 as exam_day
            from range({exams}) t(i)"""
    )
    con.execute(
        "create table findings as select exam_id, maneuver, case when h % 10 < 3 then 'positive' when h % 10 < 9 then "
        "'negative' else 'not_done' end as result from (select *, hash(exam_id, maneuver) as h from exams, maneuvers)"
    )
    (folder / "csv").mkdir()
    (folder / "fhir").mkdir()
    con.execute(f"copy exams to '{folder / 'csv' / 'exams.csv'}' (header)")
    con.execute(f"copy findings to '{folder / 'csv' / 'findings.csv'}' (header)")
    con.execute(
        f"""copy (select 'Encounter' as resourceType, exam_id as id, 'finished' as status, {{code: 'AMB'}} as class,
            {{reference: 'Patient/' || participant_id}} as subject,
            [{{individual: {{reference: 'Practitioner/' || examiner_id}}}}] as participant,
            [to_json({{url: 'urn:side', valueCode: side}}), to_json({{url: 'urn:period', valueString: period}}),
             to_json({{url: 'urn:day', valueInteger: exam_day}})] as extension from exams)
            to '{folder / "fhir" / "Encounter.ndjson"}' (format json)"""
    )
    con.execute(
        f"""copy (select json_merge_patch(to_json({{resourceType: 'Observation', id: 'o' || row_number() over (),
            status: 'final', code: {{coding: [{{system: 'urn:other', code: 'x'}},
            {{system: 'urn:maneuvers', code: maneuver}}]}}, encounter: {{reference: 'Encounter/' || exam_id}}}}),
            case when result = 'not_done' then to_json({{dataAbsentReason: {{coding: [{{code: 'not-performed'}}]}}}})
            else to_json({{valueCodeableConcept: {{coding: [{{code: result}}]}}}}) end)::varchar from findings)
            to '{folder / "fhir" / "Observation.ndjson"}' (format csv, header false, quote '', delim '\x07')"""
    )
    (folder / "fhir.yaml").write_text(MAPPING, encoding="utf-8")


@pytest.mark.benchmark_ratio
def test_observations_against_our_own_form(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seconds = []
    for size in SIZES:
        folder = tmp_path / str(size)
        folder.mkdir()
        _write_files(folder, size)
        own = timed_ingest(folder / "csv.duckdb", folder / "csv")
        fhir = timed_ingest(folder / "fhir.duckdb", folder / "fhir", mapping=folder / "fhir.yaml")
        assert own.stored == fhir.stored == {"exams": size // EACH, "findings": size}
        seconds.append(fhir.cpu)
        with capsys.disabled():
            print(f"\n{size:,} Observations: ratio of processor time {fhir.cpu / own.cpu:.2f} (aim {AIM})")
            print(f"   own form {own}\n   FHIR {fhir}")
        assert fhir.peak_gb < MEMORY_GB
        assert fhir.cpu < AIM * own.cpu
        for path in (*folder.glob("*/*"), *folder.glob("*.duckdb")):
            path.unlink()
    exponent = log(seconds[1] / seconds[0]) / log(SIZES[1] / SIZES[0])
    with capsys.disabled():
        print(f"processor time grows with the number of Observations to the power {exponent:.2f}")
    assert exponent < 1.15
