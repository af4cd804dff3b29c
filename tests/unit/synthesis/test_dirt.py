"""The dirty export: every line that is not stored is accounted for, and nothing else was touched."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

import examtally as et
from examtally.contracts.contract import load_contract
from examtally.contracts.rules import key_rule, reference_rules, rules_for
from examtally.synthesis import SynthesisReport
from examtally.synthesis.faults import load_faults

CONTRACT = load_contract()


@pytest.fixture(scope="module")
def expected(written: SynthesisReport) -> dict[str, Any]:
    """The account of the dirty export."""
    account: dict[str, Any] = json.loads((written.out / "dirty" / "expected.json").read_text(encoding="utf-8"))
    return account


def _lines(folder: Path, table: str) -> list[str]:
    return (folder / f"{table}.csv").read_text(encoding="utf-8").splitlines()


def test_the_account_adds_up(written: SynthesisReport, expected: dict[str, Any]) -> None:
    for table, counts in expected["tables"].items():
        assert counts["lines"] == written.dirty[table] == len(_lines(written.out / "dirty", table)) - 1
        assert counts["lines"] == sum(value for name, value in counts.items() if name != "lines")
        outcomes = Counter(line["outcome"] for line in expected["lines"] if line["table"] == table)
        assert outcomes == Counter(
            {name: counts[name] for name in ("unchanged", "waiting", "held_back") if counts[name]}
        )
    places = [(line["table"], line["line"]) for line in expected["lines"]]
    assert len(places) == len(set(places))


def test_lines_without_an_account_are_the_clean_ones(written: SynthesisReport, expected: dict[str, Any]) -> None:
    for table in CONTRACT.tables:
        spoken_for = {line["line"] for line in expected["lines"] if line["table"] == table}
        clean = set(_lines(written.out / "records", table))
        dirty = list(enumerate(_lines(written.out / "dirty", table), 1))
        strange = [number for number, line in dirty if number not in spoken_for and line not in clean]
        assert strange == []


def test_every_kind_of_rule_is_broken_somewhere(expected: dict[str, Any]) -> None:
    declared = {rule.id for table in CONTRACT.tables for rule in rules_for(CONTRACT, table)}
    declared |= {key_rule(CONTRACT, table).id for table in CONTRACT.tables}
    declared |= {rule.id for table in CONTRACT.tables for rule in reference_rules(CONTRACT, table)}
    broken = {line["rule"] for line in expected["lines"] if line["rule"]}
    assert broken <= declared
    kinds = {(rule.split(".")[0], rule.rpartition(".")[2]) for rule in broken}
    assert kinds >= {(table, "unique") for table in CONTRACT.tables}
    assert {kind for _, kind in kinds} == {rule.rpartition(".")[2] for rule in declared}


def test_identifiers_are_planted_in_the_dirty_files_only(written: SynthesisReport, expected: dict[str, Any]) -> None:
    folders = {
        name: "\n".join("\n".join(_lines(written.out / name, table)) for table in CONTRACT.tables)
        for name in ("records", "dirty")
    }
    assert len(expected["planted"]) > 40
    for text in expected["planted"]:
        assert len(text) >= 8
        assert text in folders["dirty"]
        assert text not in folders["records"]
    assert any("@" in text for text in expected["planted"])
    named = [fault.text for fault in load_faults(CONTRACT).faults if fault.identifying]
    assert set(named) <= set(expected["planted"])


def test_ingestion_puts_every_line_where_the_account_says(
    written: SynthesisReport, expected: dict[str, Any], tmp_path: Path
) -> None:
    registry = tmp_path / "registry.duckdb"
    report = et.ingest([written.out / "dirty"], registry)
    names = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
    assert {count.table: {name: getattr(count, name) for name in names} for count in report.tables} == expected[
        "tables"
    ]
    with duckdb.connect(str(registry), read_only=True) as con:
        found = con.execute('select "table", line, rule from held_back order by all').fetchall()
    held = [line for line in expected["lines"] if line["outcome"] == "held_back"]
    assert found == sorted((line["table"], line["line"], line["rule"]) for line in held)


def test_the_same_faults_fall_on_a_clinic_of_another_size(tmp_path: Path, expected: dict[str, Any]) -> None:
    et.synthesize(tmp_path, scenario=Path("young"))
    young = json.loads((tmp_path / "dirty" / "expected.json").read_text(encoding="utf-8"))
    planted = pl.Series([line["rule"] for line in young["lines"]]).unique()
    assert set(planted) == {line["rule"] for line in expected["lines"]}
