from __future__ import annotations

from collections.abc import Callable

import polars as pl
import pytest
from imports import packages_behind
from threadpoolctl import threadpool_info, threadpool_limits

import examtally
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, result_tables
from examtally.errors import ProtocolError, ResultsError
from examtally.registry import Registry
from examtally.results import Results, analyze
from examtally.results.analysis import MADE_WITH, TABLES, step_of
from examtally.results.work import Work

LACHMAN = {"condition": "acl_tear", "maneuver": "lachman"}


def test_the_known_table_comes_back(results: Results) -> None:
    tally = results.tallies.filter(**LACHMAN, group_by="overall").row(0, named=True)
    assert (tally["tp"], tally["fp"], tally["fn"], tally["tn"]) == (24, 4, 6, 16)
    assert tally["participants"] == 50
    sensitivity = results.accuracy.filter(**LACHMAN, group_by="overall", measure="sensitivity").row(0, named=True)
    assert sensitivity["estimate"] == pytest.approx(24 / 30)
    # Wilson 1927 for 24/30, by hand: centre (24 + z²/2) / (30 + z²), half-width z·sqrt(24·6/30 + z²/4) / (30 + z²)
    assert (sensitivity["ci_low"], sensitivity["ci_high"]) == pytest.approx((0.6269, 0.9049), abs=5e-5)


def test_every_exam_ends_once_in_the_flow(results: Results) -> None:
    flow = results.flow.filter(**LACHMAN)
    assert flow["exams"].sum() == 52
    ends = dict(flow.filter(pl.col("exams") > 0).select("reason", "exams").iter_rows())
    assert ends == {"comparison_knee": 1, "window_open": 1, "analysed": 50}


def test_every_declared_table_is_made_and_conforms(results: Results) -> None:
    of_studies = {name for name in result_tables() if name.startswith("study_")}  # made by the run of a study alone
    of_the_demo = {"known_truth"}  # no registry of records has it
    of_agreement_days = {"measure_agreement", "agreement_steps"}  # made from the readings of a day
    of_networks = {"site_summaries", "pooled_sites"}  # made from what several groups hand over
    others = of_studies | of_the_demo | of_agreement_days | of_networks
    assert set(TABLES) == result_tables().keys() - others
    assert tuple(results.tables) == TABLES
    for name, frame in results.tables.items():
        assert conform(name, frame, own=load_contract().catalogue.own_codes).equals(frame)


def test_conditions_that_nothing_settles_say_so(results: Results, registry: Registry) -> None:
    flagged = results.tallies.filter(flag="not_settled")
    assert sorted(flagged["condition"].unique()) == [
        *("iliotibial_band_syndrome", "patellar_instability", "patellofemoral_pain", "pes_anserine_bursitis")
    ]
    assert flagged["note"].str.contains("not who is right").all()
    assert results.accuracy.join(flagged, on="condition", how="semi").is_empty()
    case = {"patellar_instability": "two dislocations seen by a clinician before the follow-up visit"}
    source = {"windows": {"patellar_instability": [0, 365]}, "reference": {"clinical_case_definition": case}}
    made = analyze(registry, source, only=["tallies", "accuracy"])
    assert "patellar_instability" not in made.tallies.filter(flag="not_settled")["condition"]
    labels = made.accuracy.filter(condition="patellar_instability")["reference"].unique().to_list()
    assert labels == ["clinical_diagnosis"]


def test_intake_tables_add_up_and_tell_a_failed_check_from_failed_data(results: Results) -> None:
    (batch,) = results.batches.to_dicts()
    ends = ("stored", "unchanged", "conflict", "waiting", "held_back")
    assert batch["lines"] == sum(batch[end] for end in ends) == 55
    assert results.held_back.select("rule", "kind", "lines").rows() == [("exams.side.enum", "held_back", 2)]
    checks = results.intake_checks.select("rule", "unexpected", "raised", "flag").rows()
    assert checks == [("a", 2, False, None), ("b", None, True, "check_raised")]
    waiting = results.cohort_summary.filter(item="waiting")
    assert dict(waiting.select("group", "value").iter_rows()) == {"history": 0, "findings": 0, "impressions": 0}


def test_rows_about_persons_come_only_on_request(registry: Registry, results: Results) -> None:
    without = analyze(registry, results.protocol, only=["tallies", "accuracy"])
    assert results.has_examiners
    assert not without.has_examiners
    for name in ("tallies", "accuracy"):
        with_persons = results.tables[name]
        assert with_persons.filter(group_by="examiner").height > 0
        assert without.tables[name].equals(with_persons.filter(pl.col("group_by") != "examiner"))


def test_only_what_is_asked_for_is_done(registry: Registry) -> None:
    steps: list[str] = []
    made = analyze(registry, only=["flow"], progress=steps.append)
    assert list(made.tables) == ["flow"]
    assert steps == ["Choosing the exams that count", "Following every exam to where it ends"]
    steps.clear()
    assert list(analyze(registry, only="batches", progress=steps.append).tables) == ["batches"]
    assert steps == []
    with pytest.raises(AttributeError, match="made without the table accuracy"):
        _ = made.accuracy
    with pytest.raises(AttributeError, match="no table figures; there are flow"):
        _ = made.figures


def test_a_table_is_made_with_linear_algebra_on_one_thread(registry: Registry, monkeypatch: pytest.MonkeyPatch) -> None:
    threads = []

    def noting(table: str) -> Callable[[Work], pl.DataFrame]:
        def step(work: Work) -> pl.DataFrame:
            threads.extend(each["num_threads"] for each in threadpool_info() if each["user_api"] == "blas")
            return step_of(table)(work)

        return step

    monkeypatch.setattr("examtally.results.analysis.step_of", noting)
    with threadpool_limits(2, user_api="blas"):
        analyze(registry, only=["flow"])
        assert {*threads} == {1}
        assert {each["num_threads"] for each in threadpool_info() if each["user_api"] == "blas"} == {2}


def test_only_the_corrections_asked_for_are_made(registry: Registry, results: Results) -> None:
    steps: list[str] = []
    made = analyze(registry, results.protocol, only=["accuracy"], adjustments=["none"], progress=steps.append)
    assert made.accuracy.equals(
        results.accuracy.filter(pl.col("adjustment") == "none", pl.col("group_by") != "examiner")
    )
    assert steps[-1] == "Estimating accuracy"
    with pytest.raises(ResultsError, match="adjustments: there is no correction 'naive'; use one or more of none, "):
        analyze(registry, adjustments=["naive"])


@pytest.mark.parametrize(
    ("only", "message"),
    [
        (["acuracy"], "only: there is no table 'acuracy'; use one or more of cohort_summary, flow, "),
        ([], "only: no table"),
    ],
)
def test_a_table_that_there_is_not_is_refused_with_the_legal_set(
    registry: Registry, only: list[str], message: str
) -> None:
    with pytest.raises(ResultsError) as refused:
        analyze(registry, only=only)
    assert str(refused.value).startswith(message)


def test_every_text_is_in_the_words_of_the_joint(results: Results) -> None:
    texts = [
        text
        for frame in results.tables.values()
        for column in ("note", "reason", "label")
        if column in frame.columns
        for text in frame[column].drop_nulls().unique()
    ]
    assert any("knees" in text for text in texts)
    assert not [text for text in texts if "«" in text]


def test_the_status_of_the_protocol_stands_in_every_table(results: Results) -> None:
    for name, frame in results.tables.items():
        assert set(frame["status"]) <= {"prespecified"}, name


def test_letting_comparison_knees_in_is_seen(registry: Registry) -> None:
    made = analyze(registry, {"eligibility": {"exclude_comparison_knees": False}}, only="flow")
    assert made.flow.filter(**LACHMAN, reason="comparison_knee")["exams"].item() == 0


def test_a_wrong_protocol_is_refused(registry: Registry) -> None:
    with pytest.raises(ProtocolError, match="unknown key"):
        analyze(registry, {"equivocals": "positive"})


def test_provenance_names_registry_protocol_and_versions(registry: Registry, results: Results) -> None:
    provenance = results.provenance
    assert provenance.registry == registry.fingerprint()
    assert provenance.protocol_hash == results.protocol.hash
    assert provenance.seed == results.protocol.calibration.seed
    assert provenance.versions["examtally"] == examtally.__version__
    assert isinstance(results.protocol, Protocol)


@pytest.mark.parametrize("table", TABLES)
def test_a_table_names_the_packages_whose_code_makes_it_and_no_other(table: str) -> None:
    """Read from the source: what each definition that the step reaches takes from a package."""
    named = {package for packages in MADE_WITH.values() for package in packages}
    assert named == {"duckdb", "numpy", "polars", "scikit-learn", "scipy", "statsmodels"}
    assert packages_behind(step_of(table), named) == set(MADE_WITH[table])


def test_provenance_names_only_packages_behind_the_tables_made(registry: Registry, results: Results) -> None:
    assert analyze(registry, only={"flow"}).provenance.versions.keys() == {"python", "examtally", "duckdb", "polars"}
    assert {"scikit-learn", "statsmodels", "scipy"} <= results.provenance.versions.keys()


def test_a_registry_without_records_gives_tables_without_estimates(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("empty") / "registry.duckdb"
    with examtally.open_registry(path, read_only=False) as opened:
        made = analyze(opened)
    assert made.accuracy["estimate"].null_count() == made.accuracy.height
    assert made.flow["exams"].sum() == 0
    assert made.batches.is_empty()


def test_every_name_of_the_package_is_there() -> None:
    for name in set(examtally.__all__) - {"ingest", "synthesize"}:
        assert getattr(examtally, name)
    assert set(dir(examtally)) == set(examtally.__all__)
    with pytest.raises(AttributeError, match="no attribute 'analyse'"):
        _ = examtally.analyse  # type: ignore[attr-defined]
