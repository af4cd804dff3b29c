"""Published 2x2 tables, written out as record files and sent through the command line, give the published figures."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from records import exam, finding, reference, write_csv

from examtally.cli.app import main

Cells = tuple[int, int, int, int]

# (tp, fp, fn, tn), protocol, {measure: (estimate, low, high)}; None where the source prints no such digit
CASES = {
    # Newcombe, Stat Med 1998;17:857-872, Table I, 81 of 263
    "wilson 81/263": ((81, 0, 182, 12), "", {"sensitivity": (None, 0.2553, 0.3662)}, 4),
    "exact 81/263": (
        (81, 0, 182, 12),
        "intervals: {proportion: clopper_pearson}",
        {"sensitivity": (None, 0.2527, 0.3676)},
        4,
    ),
    # Brown, Cai & DasGupta, Statist Sci 2001;16:101-133, formulas, computed by independent code
    "jeffreys 81/263": (
        (81, 0, 182, 12),
        "intervals: {proportion: jeffreys}",
        {"sensitivity": (None, 0.254521934991, 0.365647499174)},
        6,
    ),
    "agresti-coull 81/263": (
        (81, 0, 182, 12),
        "intervals: {proportion: agresti_coull}",
        {"sensitivity": (None, 0.255220665200, 0.366277431671)},
        6,
    ),
    # Newcombe 1998, Table I, 0 of 20
    "wilson 0/20": ((0, 3, 20, 17), "", {"sensitivity": (0.0, 0.0, 0.1611)}, 4),
    "exact 0/20": (
        (0, 3, 20, 17),
        "intervals: {proportion: clopper_pearson}",
        {"sensitivity": (0.0, 0.0, 0.1684)},
        4,
    ),
    # Altman & Bland, BMJ 1994;308:1552 and 309:102 (liver scans); limits by Simel, J Clin Epidemiol 1991;44:763-770
    "liver scan": (
        (231, 32, 27, 54),
        "intervals: {lr: log_delta}",
        {
            "sensitivity": (0.8953488, None, None),
            "specificity": (0.6279070, None, None),
            "ppv": (0.8783270, None, None),
            "npv": (0.6666667, None, None),
            "prevalence": (0.75, None, None),
            "accuracy": (0.8284884, None, None),
            "lr_positive": (2.40625, 1.8227906, 3.1764697),
            "lr_negative": (0.1666667, 0.1125897, 0.2467170),
            "diagnostic_odds_ratio": (14.4375, 7.9896363, 26.0889731),
        },
        5,
    ),
    # Altman & Bland, BMJ 1994;309:102: at a prevalence of 0.25
    "liver scan at prevalence 0.25": (
        (231, 32, 27, 54),
        "predictive_values: {prevalence: 0.25}",
        {"ppv": (0.4450867, None, None), "npv": (0.9473684, None, None)},
        6,
    ),
    # half added to all four cells (Cox 1970), limits by Simel 1991
    "zero cell": (
        (20, 0, 5, 30),
        "intervals: {lr: log_delta, zero_cells: half}",
        {
            "lr_positive": (48.884615, 3.104646, 769.719150),
            "lr_negative": (0.215006, 0.102228, 0.452200),
            "diagnostic_odds_ratio": (227.363636, 11.915887, 4338.260479),
        },
        5,
    ),
}


def _write(folder: Path, tp: int, fp: int, fn: int, tn: int) -> None:
    rows = [("positive", "present")] * tp + [("positive", "absent")] * fp
    rows += [("negative", "present")] * fn + [("negative", "absent")] * tn
    people = [f"PT-{number}" for number, _ in enumerate(rows)]
    write_csv(folder / "exams.csv", [exam(f"EX-{n}", participant_id=who) for n, who in enumerate(people)])
    write_csv(folder / "findings.csv", [finding(f"EX-{n}", result=result) for n, (result, _) in enumerate(rows)])
    readings = [reference(f"RF-{n}", participant_id=people[n], status=status) for n, (_, status) in enumerate(rows)]
    write_csv(folder / "references.csv", readings)
    # a later exam of somebody else, so that the window of the others is closed
    write_csv(folder / "exams-later.csv", [exam(f"EX-{len(rows)}", participant_id=f"PT-{len(rows)}", period="P099")])


@pytest.fixture(scope="module")
def registries(tmp_path_factory: pytest.TempPathFactory) -> dict[Cells, Path]:
    """The registry of each table."""
    made = {}
    for number, cells in enumerate(dict.fromkeys(cells for cells, *_ in CASES.values())):
        folder = tmp_path_factory.mktemp(f"table-{number}")
        records, made[cells] = folder / "records", folder / "registry.duckdb"
        records.mkdir()
        _write(records, *cells)
        assert main(["ingest", str(records), "--registry", str(made[cells])]) == 0
    return made


@pytest.mark.parametrize("name", CASES)
def test_published_table(
    name: str, registries: dict[Cells, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cells, protocol, expected, digits = CASES[name]
    (tmp_path / "protocol.yaml").write_text(protocol or "joint: knee", encoding="utf-8")
    registry, out = str(registries[cells]), tmp_path / "results"
    words = ["analyze", "--registry", registry, "--protocol", str(tmp_path / "protocol.yaml"), "--out", str(out)]
    assert main([*words, "--only", "accuracy", "--adjustments", "none"]) == 0
    assert "Traceback" not in capsys.readouterr().err
    table = pl.read_parquet(out / "accuracy.parquet").filter(
        (pl.col("condition") == "acl_tear")
        & (pl.col("maneuver") == "lachman")
        & (pl.col("group_by") == "overall")
        & (pl.col("adjustment") == "none")
    )
    for measure, figures in expected.items():
        row = table.row(by_predicate=pl.col("measure") == measure, named=True)
        for column, figure in zip(("estimate", "ci_low", "ci_high"), figures, strict=True):
            if figure is not None:
                assert row[column] == pytest.approx(figure, abs=0.5 * 10**-digits), (measure, column)
