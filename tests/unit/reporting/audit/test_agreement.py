"""The part of the report about agreement."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl

from examtally.contracts.contract import load_contract
from examtally.reporting.audit.agreement import agreed, examiner_pairs, section
from examtally.reporting.audit.audit import Audit
from examtally.results import Results


def changed(audit: Audit, agreement: pl.DataFrame) -> Audit:
    tables = {**audit.results.tables, "agreement": agreement}
    return replace(audit, results=Results(tables, audit.results.provenance))


def test_core_maneuvers_stand_open_and_the_others_under_a_fold(clinic: Audit) -> None:
    first = section(clinic).split("### Any two examiners")[1].split("### ")[0]
    open_, folded = first.split("<details>")
    core = [load_contract().catalogue.maneuvers[code].name for code in clinic.protocol.core]
    assert re.findall(r'<th scope="row">([^<]+)', open_) == sorted(core, key=open_.index)
    assert len(re.findall(r'<th scope="row">', open_)) == len(core)
    assert "Pivot shift" in folded
    assert not any(f'<th scope="row">{name}<' in folded for name in core)


def test_agreement_and_ac1_are_those_of_the_table(clinic: Audit) -> None:
    rows = clinic.table("agreement").filter(maneuver="lachman", group_by="overall")
    ac1 = rows.filter(statistic="gwet_ac1").row(0, named=True)
    observed = rows.filter(statistic="observed_agreement").row(0, named=True)
    found = agreed(clinic, "lachman", "overall")
    assert found is not None
    assert found.ac1_cell == f"{ac1['estimate']:.2f}\n{ac1['ci_low']:.2f} to {ac1['ci_high']:.2f}"
    assert found.agreement_cell.startswith(f"{round(observed['estimate'] * 100)}%\n")
    assert f"{observed['pairs']}<br /><small>{observed['participants']} people</small>" in section(clinic)


def test_under_ten_people_neither_figure_is_shown(clinic: Audit) -> None:
    few = clinic.table("agreement").with_columns(participants=pl.lit(9, pl.Int64), estimate=pl.lit(0.1234))
    text = section(changed(clinic, few))
    assert "12%" not in text
    assert "0.12" not in text
    assert "too few people for a figure" in text
    assert "<table>" not in text
    assert "Here, for example" not in text


def test_a_maneuver_with_few_pairs_among_others_shows_none(clinic: Audit) -> None:
    few = pl.when(pl.col("maneuver") == "lachman").then(9).otherwise(pl.col("participants")).cast(pl.Int64)
    text = section(changed(clinic, clinic.table("agreement").with_columns(few.alias("participants"))))
    row = re.search(r'<th scope="row">Lachman test</th><td>([^<]*)</td><td>([^<]*)</td>', text)
    assert row is not None
    assert row.groups() == ("too few", "")


def test_a_maneuver_that_no_test_judges_gets_its_sentence(clinic: Audit) -> None:
    text = section(clinic)
    assert "no test settles this diagnosis. We can say how often two examiners agree, not who is right." in text
    assert re.search(r"Patellar grind[^<]*<br /><small>no test settles what it is for</small>", text)


def test_intra_examiner_pairs_stand_apart(clinic: Audit) -> None:
    rows = clinic.table("agreement")
    own = rows.filter(group_by="overall").with_columns(group_by=pl.lit("same_examiner"), pairs=pl.lit(777, pl.Int64))
    text = section(changed(clinic, pl.concat([rows.filter(pl.col("group_by") != "same_examiner"), own])))
    apart = text.split("### One examiner twice")[1]
    assert "how steady one pair of hands is" in apart
    assert "777" in apart
    assert "777" not in text.split("### One examiner twice")[0]


def expected_codes(audit: Audit) -> list[str]:
    return [f"{code} and" for code in audit.codes.values()]


def test_pairs_of_examiners_stand_by_code_on_the_leads_page_alone(clinic: Audit) -> None:
    rows = clinic.table("agreement").filter(group_by="overall")
    names = ["EX-01/EX-02", "EX-03/EX-04", "EX-02/EX-05"]
    pairs = [rows.with_columns(pl.lit("examiner_pair").alias("group_by"), pl.lit(n).alias("group")) for n in names]
    audit = changed(clinic, pl.concat([clinic.table("agreement"), *pairs]))
    text = examiner_pairs(audit)
    assert not any(code in section(audit) for code in expected_codes(audit))
    found = re.findall(r'<th scope="rowgroup"[^>]*>(\w+) and (\w+)</th>', text)
    expected = {tuple(sorted(audit.codes[examiner] for examiner in name.split("/"))) for name in names}
    assert expected <= set(found)
    assert found == sorted(found)
    assert "EX-0" not in text
    assert "which of them is right" in text


def test_nobody_examined_twice_is_said(clinic: Audit) -> None:
    text = section(changed(clinic, clinic.table("agreement").clear()))
    assert text.startswith("No «noun» was examined by two people")


def test_unrecorded_knowledge_of_the_other_is_counted(clinic: Audit) -> None:
    known = clinic.table("agreement").with_columns(pairs_unknown=pl.lit(0, pl.Int64))
    assert "not recorded whether they knew" not in section(changed(clinic, known))
    some = known.with_columns(pairs_unknown=pl.lit(5, pl.Int64))
    assert "Of up to 5 pairs a maneuver it is not recorded whether they knew" in section(changed(clinic, some))
