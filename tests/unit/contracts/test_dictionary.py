from __future__ import annotations

import csv
import io
import json

import polars as pl
import pytest

from examtally.contracts.contract import Contract
from examtally.contracts.dictionary.dictionary import (
    COLUMNS,
    PARTS,
    data_dictionary,
    dictionary_tables,
    render_dictionary,
)
from examtally.contracts.protocol.protocol import protocol_keys
from examtally.contracts.results import result_tables
from examtally.errors import ContractError
from examtally.words import for_csv


@pytest.fixture(scope="module")
def rows(contract: Contract) -> pl.DataFrame:
    return data_dictionary(contract)


def _named(rows: pl.DataFrame, table: str) -> list[str]:
    return rows.filter(pl.col("table") == table, pl.col("choice") == "")["name"].to_list()


def _choices(rows: pl.DataFrame, table: str, name: str) -> list[str]:
    return rows.filter(pl.col("table") == table, pl.col("name") == name, pl.col("choice") != "")["choice"].to_list()


def test_every_declared_column_key_and_entry_has_a_row(rows: pl.DataFrame, contract: Contract) -> None:
    for record in contract.tables.values():
        assert _named(rows, record.name) == list(record.names)
    for result in result_tables().values():
        assert _named(rows, result.name) == list(result.names)
    assert _named(rows, "protocol") == [key.name for key in protocol_keys()]
    assert _named(rows, "conditions") == list(contract.catalogue.conditions)
    assert _named(rows, "maneuvers") == list(contract.catalogue.maneuvers)
    assert _named(rows, "history_items") == list(contract.catalogue.history)
    assert _named(rows, "mechanisms") == list(contract.catalogue.mechanisms)
    assert _named(rows, "modalities") == list(contract.catalogue.modalities)


def test_every_choice_has_its_own_row_with_a_meaning(rows: pl.DataFrame, contract: Contract) -> None:
    assert _choices(rows, "exams", "side") == ["left", "right"]
    assert _choices(rows, "findings", "maneuver") == list(contract.catalogue.maneuvers)
    assert _choices(rows, "protocol", "intervals.lr") == ["score", "log_delta"]
    assert _choices(rows, "accuracy", "display") == ["estimate", "counts_only", "suppressed"]
    assert rows.filter(pl.col("description") == "").is_empty()


def test_no_row_stands_twice(rows: pl.DataFrame) -> None:
    assert not rows.select("table", "name", "choice").is_duplicated().any()


def test_a_pseudonym_column_says_what_a_coded_identifier_is(rows: pl.DataFrame) -> None:
    legal = rows.filter(pl.col("table") == "exams", pl.col("name") == "exam_id")["legal"].item()
    assert "no date" in legal


@pytest.mark.parametrize("table", PARTS)
def test_a_part_is_its_tables(table: str, rows: pl.DataFrame, contract: Contract) -> None:
    assert data_dictionary(contract, table).equals(rows.filter(pl.col("part") == table))


def test_one_table_is_only_that(contract: Contract) -> None:
    assert data_dictionary(contract, "flow")["table"].unique().to_list() == ["flow"]


def test_a_table_or_form_that_there_is_not_is_refused_with_the_legal_set(contract: Contract) -> None:
    with pytest.raises(ContractError, match=r"there is no table 'people'; use one of records, .*examiners, .*tallies"):
        render_dictionary("people", contract=contract)
    with pytest.raises(ContractError, match="'pdf' is not a format; use one of text, csv, markdown, json"):
        render_dictionary(form="pdf", contract=contract)


def test_text_is_at_most_a_hundred_columns_wide_and_has_every_table(contract: Contract) -> None:
    text = render_dictionary(contract=contract)
    assert max(map(len, text.splitlines())) <= 100
    assert all(f"{table} - {title}" in text for table, title in dictionary_tables(contract).items())


def test_csv_and_json_hold_the_rows(rows: pl.DataFrame, contract: Contract) -> None:
    made = list(csv.DictReader(io.StringIO(render_dictionary(form="csv", contract=contract))))
    assert made == for_csv(rows).to_dicts(), "no cell is a formula to a spreadsheet"
    assert json.loads(render_dictionary(form="json", contract=contract)) == rows.to_dicts()


def test_markdown_has_as_many_cells_in_every_line(contract: Contract) -> None:
    lines = [
        line for line in render_dictionary(form="markdown", contract=contract).splitlines() if line.startswith("|")
    ]
    assert {line.replace("\\|", "").count("|") for line in lines} == {len(COLUMNS) - 1}
