"""What a group gives for pooling: released counts and leading figures, sealed; and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest
from ledger_kept import make_ledger
from released_tables import ALL, Knees, lachman, results_from, tallies_of

from examtally.cli.app import main
from examtally.contracts.protocol.protocol import canonical_hash
from examtally.contracts.results import conform, empty
from examtally.disclosure.publishing import prepare
from examtally.disclosure.site_summary import SUMMARY, pool, read_summaries, summarize, write_summary
from examtally.errors import DisclosureError
from examtally.results import Results

RECORDS = "a" * 64
COVARIANCES = ("var_sensitivity", "var_specificity", "covariance")


def leading_row(sensitivity: float | None = 0.8) -> pl.DataFrame:
    known = sensitivity is not None
    row = {
        "condition": "acl_tear",
        "maneuver": "lachman",
        "group_by": "overall",
        "group": "all",
        "basis": "bias_adjusted" if known else "withheld",
        "sensitivity": sensitivity,
        "specificity": 0.9,
        "verified": 205,
        "participants": 205,
        "assumed_reference": False,
        **dict(zip(COVARIANCES, (0.06, 0.03, -0.004) if known else (None,) * 3, strict=True)),
        **dict.fromkeys((f"shared_{name}" for name in COVARIANCES), 0.001 if known else None),
    }
    frame = pl.DataFrame([row], schema_overrides={name: empty("leading").schema[name] for name in row})
    blank = {name: None for name in empty("leading").columns if name not in (*row, "status", "flag", "note")}
    kinds = {name: empty("leading").schema[name] for name in blank}
    return conform("leading", frame.with_columns(**{n: pl.lit(None, kinds[n]) for n in blank}))


def results(knees: Knees = (60, 30, 25, 90), sensitivity: float | None = 0.8) -> Results:
    return results_from(tallies_of(lachman({ALL: knees})), RECORDS, leading=leading_row(sensitivity))


def summary(folder: Path, site: str, *, knees: Knees = (60, 30, 25, 90), sensitivity: float | None = 0.8) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    made = results(knees, sensitivity)
    ready = prepare(made, make_ledger(folder / "kept", RECORDS), SUMMARY)
    return write_summary(summarize(made, ready, site)[0], folder / f"{site}.json")


def test_a_summary_holds_released_counts_and_leading_figures_and_no_more(tmp_path: Path) -> None:
    content = json.loads(summary(tmp_path, "S-01").read_text(encoding="utf-8"))
    assert content.keys() == {"format", "version", "site", "protocol", "rows", "seal"}
    (row,) = content["rows"]
    assert [row[cell] for cell in ("tp", "fp", "fn", "tn")] == [60, 30, 25, 90]
    assert row["logit_sensitivity"] == 1.39
    own = [row[name] - row[f"shared_{name}"] for name in COVARIANCES]
    assert [one**0.5 for one in own[:2]] == [pytest.approx(0.24), pytest.approx(0.17)]  # two digits of 0.2429, 0.1703
    assert own[2] == pytest.approx(-0.1 * 0.24 * 0.17)  # and one of the correlation, -0.1209
    assert row["shared_var_sensitivity"] == pytest.approx(0.032**2)
    assert (tmp_path / "S-01.json").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(("knees", "sensitivity"), [((10, 40, 30, 90), 0.8), ((60, 30, 25, 90), None)])
def test_small_counts_and_withheld_figures_leave_no_row(
    tmp_path: Path, knees: Knees, sensitivity: float | None
) -> None:
    with pytest.raises(DisclosureError, match="no pair has both"):
        summary(tmp_path, "S-01", knees=knees, sensitivity=sensitivity)


def test_corrected_figures_need_enough_knees_without_an_answer(tmp_path: Path) -> None:
    """With the counts they would tell how many of the few were found positive."""
    for unverified, is_there in ((21, False), (22, True)):
        tallies = tallies_of(lachman({ALL: (60, 30, 25, 90)}), unverified=unverified)
        made = results_from(tallies, RECORDS, leading=leading_row())
        ready = prepare(made, make_ledger(tmp_path / str(unverified), RECORDS), SUMMARY)
        if is_there:
            assert summarize(made, ready, "S-01")[1] == 0
            continue
        with pytest.raises(DisclosureError, match="no pair has both"):
            summarize(made, ready, "S-01")


def test_the_command_enters_it_in_the_log_as_a_release(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    registry = make_ledger(tmp_path / "kept", RECORDS)
    folder = results().write(tmp_path / "results")
    out = tmp_path / "S-01.json"
    at = ["--results", str(folder), "--registry", str(registry), "--out", str(out)]
    assert main(["site", "summary", *at, "--site", "S-01"]) == 0
    assert main(["batches", "--registry", str(registry), "--log"]) == 0
    assert capsys.readouterr().out.count("release ") >= 2  # that of the ledger, and this one
    assert main(["site", "summary", *at, "--site", "my site"]) != 0
    assert "capital letters" in capsys.readouterr().err


def test_six_groups_are_pooled_and_one_is_set_beside_the_others(tmp_path: Path) -> None:
    files = [summary(tmp_path / f"s{n}", f"S-{n:02}", sensitivity=0.7 + 0.03 * n) for n in range(6)]
    pooled = tmp_path / "pooled"
    assert main(["pool", *map(str, files), "--out", str(pooled)]) == 0
    assert main(["report", "network", "--results", str(pooled), "--out", str(tmp_path), "--site", "S-02"]) == 0
    text = (tmp_path / "network-S-02.html").read_text(encoding="utf-8")
    assert "S-02 beside the others" in text
    assert "as expected" in text
    assert pool(files).pooled_sites.equals(pool(files[::-1]).pooled_sites)


def test_five_groups_are_too_few_to_set_one_beside_the_others(tmp_path: Path) -> None:
    files = [summary(tmp_path / f"s{n}", f"S-{n:02}") for n in range(5)]
    pool(files).write(tmp_path / "pooled")
    assert (
        main(["report", "network", "--results", str(tmp_path / "pooled"), "--out", str(tmp_path), "--site", "S-02"])
        == 0
    )
    text = (tmp_path / "network-S-02.html").read_text(encoding="utf-8")
    assert "not set against the others" in text
    assert "as expected" not in text


def test_a_changed_file_another_protocol_and_two_of_a_group_are_refused(tmp_path: Path) -> None:
    first, second = (summary(tmp_path / code, code) for code in ("S-01", "S-02"))
    with pytest.raises(DisclosureError, match="more than one summary of a group"):
        read_summaries([first, first])
    with pytest.raises(DisclosureError, match="two groups or more"):
        read_summaries([first])
    content = json.loads(second.read_text(encoding="utf-8"))
    content["rows"][0]["tp"] += 1
    second.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(DisclosureError, match=r"S-02\.json is no summary of a group, or was changed"):
        read_summaries([first, second])
    content["protocol"]["equivocal"] = "as_positive"
    content["seal"] = canonical_hash({name: value for name, value in content.items() if name != "seal"})
    second.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(DisclosureError, match=r"different protocols \(equivocal\)"):
        read_summaries([first, second])
