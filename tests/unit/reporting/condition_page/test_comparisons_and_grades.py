"""What the page of a condition says of two maneuvers and of grades: words follow the figures, and few are hidden."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from clinic import Records
from compared import Tables, analyzed, exam, paired
from leading_rows import with_leading

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import canonical_hash, load_protocol
from examtally.reporting.audit.audit import Audit
from examtally.reporting.condition_page.comparisons import NOT_BLIND, comparison_block
from examtally.reporting.condition_page.graded import graded_block
from examtally.reporting.engine.aims import AIMS
from examtally.reporting.engine.wording import read_wording
from examtally.resources import resource
from examtally.results.results import Provenance, Results

WITHHELD = "About 14 knees are expected here; at least 20 are required."


def audit_of(tables: Tables, contract: Contract) -> Audit:
    protocol = load_protocol(None, contract)
    plain = protocol.to_dict()
    provenance = Provenance("0" * 64, plain, canonical_hash(plain), 1, {"examtally": "0.1.0"})
    made = {**vars(tables), "comparisons": with_leading(tables.comparisons)}
    return Audit(Results(made, provenance), contract, protocol, read_wording(resource("reports")))


def graded() -> Records:
    records, number = Records(), 0
    for status, counts in (("absent", (33, 6, 6, 2)), ("present", (3, 8, 14, 30))):
        for grade, count in enumerate(counts):
            for _ in range(count):
                at = exam(records, number := number + 1, status)
                records.finding(at, "lachman", "positive" if grade else "negative", grade=grade)
    return records


def test_a_clear_difference_is_said_and_the_caution_stands_beside_it(contract: Contract) -> None:
    tables = analyzed(paired({"present": (36, 12, 2, 10), "absent": (2, 3, 1, 24)}), contract)
    text = comparison_block(audit_of(tables, contract), contract.catalogue.conditions["acl_tear"])
    assert (
        "**Lachman test** has the higher sensitivity than **pivot shift test**, by 17 points (95% CI 5 to 28)" in text
    )
    assert "higher specificity" not in text
    assert NOT_BLIND in text
    shown, fold = text.split("<details>")
    assert "+17" in shown
    assert "80%" not in shown, "the figures of each alone stand in one place, those of verified knees under the fold"
    assert "12 and 2" in fold
    assert AIMS["none"].name in fold


def test_the_leading_difference_is_shown_and_not_that_of_verified_knees(contract: Contract) -> None:
    tables = analyzed(paired({"present": (36, 12, 2, 10), "absent": (2, 3, 1, 24)}), contract)
    audit = audit_of(tables, contract)
    moved = {**audit.results.tables, "comparisons": with_leading(tables.comparisons, shift=0.2)}
    audit = Audit(Results(moved, audit.results.provenance), contract, audit.protocol, audit.wording)
    shown, fold = comparison_block(audit, contract.catalogue.conditions["acl_tear"]).split("<details>")
    assert "+37" in shown
    assert "+17" not in shown
    assert "+17" in fold


def test_where_nothing_can_be_known_the_reason_stands_instead_of_a_figure(contract: Contract) -> None:
    tables = analyzed(paired({"present": (36, 12, 2, 10), "absent": (2, 3, 1, 24)}), contract)
    audit = audit_of(tables, contract)
    hidden = audit.table("comparisons").with_columns(
        difference=pl.when(adjustment="none").then("difference"),
        note=pl.when(adjustment="bias_adjusted").then(pl.lit(WITHHELD)),
    )
    made = Results({**audit.results.tables, "comparisons": hidden}, audit.results.provenance)
    block = comparison_block(
        Audit(made, contract, audit.protocol, audit.wording), contract.catalogue.conditions["acl_tear"]
    )
    shown = block.split("<details>")[0]
    assert WITHHELD in shown
    assert "+17" not in shown


def test_a_limit_of_nothing_is_printed_as_0(contract: Contract) -> None:
    tables = analyzed(paired({"present": (36, 12, 2, 10), "absent": (2, 3, 1, 24)}), contract)
    audit = audit_of(tables, contract)
    near = audit.table("comparisons").with_columns(ci_low=pl.lit(0.0004))
    made = Results({**audit.results.tables, "comparisons": near}, audit.results.provenance)
    audit = Audit(made, contract, audit.protocol, audit.wording)
    assert "(95% CI 0 to 28)" in comparison_block(audit, contract.catalogue.conditions["acl_tear"])


def test_where_nothing_is_clear_nothing_is_called_better(contract: Contract) -> None:
    tables = analyzed(paired({"present": (20, 4, 3, 8), "absent": (5, 3, 4, 24)}), contract)
    text = comparison_block(audit_of(tables, contract), contract.catalogue.conditions["acl_tear"])
    assert "has the higher" not in text
    assert "not to say that they are equal" in text


def test_few_people_show_counts_only(contract: Contract) -> None:
    tables = analyzed(paired({"present": (3, 3, 0, 1), "absent": (1, 0, 0, 5)}), contract)
    audit, ligament = audit_of(tables, contract), contract.catalogue.conditions["acl_tear"]
    text = comparison_block(audit, ligament)
    assert "too few" in text
    assert "%" not in text.replace("95% interval", "").replace("%2", "")
    assert graded_block(audit, ligament) == ""


def test_a_condition_without_a_pair_has_no_block(contract: Contract) -> None:
    audit = audit_of(analyzed(Records(), contract), contract)
    for condition in contract.catalogue.conditions.values():
        assert comparison_block(audit, condition) == graded_block(audit, condition) == ""


def test_what_two_plus_means(contract: Contract, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = graded_block(audit_of(analyzed(graded(), contract), contract), contract.catalogue.conditions["acl_tear"])
    assert "grade 2 against grade 1: the odds of the condition are 1.8 times as high" in text
    assert "the two may say the same" in text
    assert "30 of 55 (55%)" in text
    assert len(list((tmp_path / "fig").glob("curve-acl_tear-????????.svg"))) == 1
    assert "grade 2 or more" in text
    assert "any grade" not in text


def test_a_step_between_levels_of_few_knees_is_not_said(
    contract: Contract, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    audit = audit_of(analyzed(graded(), contract), contract)
    few = audit.table("level_ratios").with_columns(
        present=pl.when(place=2).then(4).otherwise("present"), absent=pl.when(place=2).then(5).otherwise("absent")
    )
    made = Results({**audit.results.tables, "level_ratios": few}, audit.results.provenance)
    text = graded_block(Audit(made, contract, audit.protocol, audit.wording), contract.catalogue.conditions["acl_tear"])
    assert "4 of 55" in text
    assert "grade 2 against grade 1" not in text


@pytest.mark.parametrize(("fewest", "is_shown"), [(9, False), (10, True)])
def test_groups_of_few_knees_are_not_set_against_each_other(contract: Contract, fewest: int, is_shown: bool) -> None:
    audit = audit_of(analyzed(paired({"present": (36, 12, 2, 10), "absent": (2, 3, 1, 24)}), contract), contract)
    row = {"condition": "acl_tear", "maneuver": "lachman", "measure": "sensitivity", "adjustment": "bias_adjusted"}
    row |= {"group_by": "sex", "group_a": "female", "group_b": "male", "n_a": fewest, "n_b": 40}
    figures = {"estimate_a": 0.9, "estimate_b": 0.7, "difference": 0.2, "ci_low": 0.1, "ci_high": 0.3}
    made = {**audit.results.tables, "interactions": pl.DataFrame([row | figures])}
    audit = Audit(Results(made, audit.results.provenance), contract, audit.protocol, audit.wording)
    text = comparison_block(audit, contract.catalogue.conditions["acl_tear"])
    assert ("In one group against another" in text) is is_shown
