from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from examtally.cohort.groupings import groupings
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import plain
from examtally.contracts.protocol.analysis_set import Bands
from examtally.contracts.protocol.protocol import Protocol, load_protocol, protocol_keys
from examtally.errors import ProtocolError

# Typed from the rules of the analysis set, not from the code.
SURGERY_OR_MRI = ["open_surgery", "arthroscopy", "mri"]
MENISCAL_CORE = ("medial_joint_line_tenderness", "lateral_joint_line_tenderness", "extension_deficit")
MENISCAL = (
    *(*MENISCAL_CORE, "forced_flexion_pain"),
    *("mcmurray_medial", "mcmurray_lateral", "thessaly_medial", "thessaly_lateral"),
)
DEFAULTS: dict[str, Any] = {
    "joint": "knee",
    "analysis_status": "exploratory",
    "eligibility": {
        "exclude_comparison_knees": True,
        "exclude_settings": ["operating_room"],
        "exclude_prior_surgery": True,
        "exclude_reference_known": True,
        "exclude_after_surgery": True,
        "exclude_after_reference": True,
        "last_periods": 0,
    },
    "windows": {
        "acl_tear": [0, 180],
        "pcl_tear": [0, 180],
        "mcl_injury": [0, 42],
        "lcl_injury": [0, 42],
        "posterolateral_corner_injury": [0, 42],
        "medial_meniscus_tear": [0, 90],
        "lateral_meniscus_tear": [0, 90],
        "meniscal_tear": [0, 90],
        "patellar_tendinopathy": [0, 60],
        "knee_effusion": [0, 3],
        "tibiofemoral_osteoarthritis": [-365, 365],
        "popliteal_cyst": [0, 30],
        "prepatellar_bursitis": [0, 14],
    },
    "maturity": {"immature_periods": 3},
    "reference": {
        "accepted": {
            "acl_tear": SURGERY_OR_MRI,
            "pcl_tear": [*SURGERY_OR_MRI, "stress_radiograph"],
            "mcl_injury": ["open_surgery", "mri", "stress_radiograph", "ultrasound"],
            "lcl_injury": ["open_surgery", "mri", "stress_radiograph", "ultrasound"],
            "posterolateral_corner_injury": ["open_surgery", "mri", "stress_radiograph"],
            "medial_meniscus_tear": SURGERY_OR_MRI,
            "lateral_meniscus_tear": SURGERY_OR_MRI,
            "meniscal_tear": SURGERY_OR_MRI,
            "patellar_tendinopathy": ["ultrasound", "mri"],
            "knee_effusion": ["mri", "ultrasound", "aspiration"],
            "tibiofemoral_osteoarthritis": ["radiograph"],
            "popliteal_cyst": ["ultrasound", "mri"],
            "prepatellar_bursitis": ["ultrasound", "mri"],
        },
        "clinical_case_definition": {},
        "blinded_readers_only": False,
    },
    "equivocal": "excluded",
    "groups": {"acuity": [21, 84], "age_band": [16, 26, 40, 60], "bmi_band": [25, 30], "thigh_band": [45, 55]},
    "intervals": {"level": 0.95, "proportion": "wilson", "lr": "score", "zero_cells": "none"},
    "predictive_values": {"prevalence": {}},
    "post_test": {"pre_test": [0.1, 0.3, 0.5, 0.7]},
    "display": {"min_participants": 10},
    "calibration": {"bootstrap": 500, "seed": 20260301, "clip": 0.005, "min_knees": 20, "min_events": 5},
    "verification": {"add_terms": [], "imputations": 20, "seed": 20260301},
    "examiners": {"margin": 0.1, "seed": 20260301},
    "agreement": {
        "max_days": 14,
        "learners": ["fellow", "resident", "student"],
        "supervisors": ["attending"],
        "least": 0.8,
    },
    "latent_class": {
        "finding_a": 1.0,
        "finding_b": 1.0,
        "prevalence_a": 1.0,
        "prevalence_b": 1.0,
        "published_weight": 1.0,
        "populations": "acuity",
        "chains": 4,
        "draws": 3000,
        "seed": 20260301,
    },
    "bias_adjusted": {
        **{"delta_mean": -0.3, "delta_spread": 0.4, "seed": 20260301},
        **{"rules_in": 10.0, "rules_out": 0.1, "helps": 2.0},
    },
    "learning": {
        **{"p_acceptable": 0.2, "p_unacceptable": 0.4, "margin": 0.05, "planned": 60, "false_signal": 0.05},
        **{"outcome": "both", "orders": 101, "seed": 20260301},
    },
    "monitoring": {"likely": 0.5, "unlikely": 0.1, "baseline_from": {}, "false_signals_a_year": 0.05},
    "modelling": {
        "max_combined": 3,
        "max_pattern": 3,
        "folds": 5,
        "inner_folds": 4,
        "bootstrap": 100,
        "resamples": 500,
        "seed": 20260301,
        "penalties": [0.3, 1, 3, 10, 30, 100, 300, 1000],
        "min_events": 20,
        "candidates": "own",
        "max_size": 6,
        "thresholds": [0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5],
        "seconds": {},
    },
    "scenarios": {"not_done_reasons": ["pain", "guarding", "swelling", "body_size", "not_able", "unsafe"]},
    "comparisons": {
        "family": {
            "acl_tear": [
                ["lachman", other] for other in ("drop_leg_lachman", "anterior_drawer", "pivot_shift", "lever_sign")
            ],
            "pcl_tear": [["posterior_drawer", "posterior_sag"], ["posterior_sag", "quadriceps_active"]],
            "mcl_injury": [["valgus_stress_0", "valgus_stress_30"]],
            "lcl_injury": [["varus_stress_0", "varus_stress_30"]],
            "medial_meniscus_tear": [
                ["medial_joint_line_tenderness", other] for other in ("mcmurray_medial", "thessaly_medial")
            ],
            "lateral_meniscus_tear": [
                ["lateral_joint_line_tenderness", other] for other in ("mcmurray_lateral", "thessaly_lateral")
            ],
            "meniscal_tear": [
                [one, other]
                for place, one in enumerate(MENISCAL)
                for other in MENISCAL[place + 1 :]
                if one in MENISCAL_CORE or other in MENISCAL_CORE
            ],
            "knee_effusion": [
                ["visible_swelling", other] for other in ("patellar_tap", "sweep_test", "flexion_deficit")
            ],
        },
        "groups": {"acuity": [["acute", "chronic"]], "role": [["resident", "attending"]]},
        "test": "mcnemar_midp",
    },
}
CORE = (
    *("visible_swelling", "medial_joint_line_tenderness", "lateral_joint_line_tenderness", "extension_deficit"),
    *("lachman", "posterior_sag", "valgus_stress_30", "varus_stress_30"),
)
CASE = "pain behind the kneecap on stairs for six weeks, nothing else found at follow-up"


def _paths(content: Mapping[str, Any], before: str = "") -> Iterator[str]:
    for name, value in content.items():
        if before == "" and isinstance(value, dict) and name not in ("windows",):
            yield from _paths(value, f"{name}.")
        else:
            yield f"{before}{name}"


KEYS = (
    "use one of joint, catalogue, analysis_status, eligibility, windows, maturity, reference, equivocal, core, groups, "
    "intervals, predictive_values, post_test, display, calibration, verification, examiners, agreement, learning, "
    "modelling, monitoring, latent_class, bias_adjusted, scenarios, comparisons, interventions"
)


def _write(folder: Path, text: str) -> Path:
    path = folder / "protocol.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_defaults_are_those_of_the_analysis_set(protocol: Protocol) -> None:
    content = protocol.to_dict()
    wanted = deepcopy(DEFAULTS)
    family, pairs = content["comparisons"].pop("family"), wanted["comparisons"].pop("family")
    assert sorted(content.pop("core")) == sorted(CORE)
    assert content == wanted
    assert family.keys() == pairs.keys()
    assert not [pair for condition in pairs for pair in pairs[condition] if pair not in family[condition]]


def test_every_declared_key_is_a_field_and_every_field_is_declared(protocol: Protocol) -> None:
    content = plain(protocol)
    own = content["groups"].pop("own")  # stands beside the bands of every joint
    assert own
    content["groups"] |= own
    declared = [key.name for key in protocol_keys()]
    assert sorted(declared) == sorted([*_paths(content), "groups.own"])


def test_bands_have_the_codes_and_limits_of_the_data_model(protocol: Protocol) -> None:
    groups = protocol.groups
    assert groups.bands("acuity") == Bands(("acute", "subacute", "chronic"), (22, 85))
    assert groups.bands("age_band") == Bands(("under_16", "16_25", "26_39", "40_59", "60_over"), (16, 26, 40, 60))
    assert groups.bands("bmi_band") == Bands(("under_25", "25_29", "30_over"), (25, 30))
    assert groups.bands("thigh_band") == Bands(("under_45", "45_54", "55_over"), (45, 55))


def test_a_file_changes_what_it_names_and_nothing_else(tmp_path: Path, contract: Contract) -> None:
    text = """\
windows: {acl_tear: [0, 120]}
eligibility: {exclude_settings: []}
predictive_values:
  prevalence: 0.25
reference:
  accepted: {acl_tear: [mri]}
"""
    loaded = load_protocol(_write(tmp_path, text), contract)
    assert loaded.windows == Protocol.defaults(contract).windows | {"acl_tear": (0, 120)}
    assert loaded.eligibility.exclude_settings == ()
    assert loaded.eligibility.exclude_comparison_knees is True
    assert set(loaded.predictive_values.prevalence.values()) == {0.25}
    assert loaded.predictive_values.prevalence.keys() == contract.catalogue.conditions.keys()
    assert loaded.reference.accepted["acl_tear"] == ("mri",)
    assert loaded.reference.accepted["pcl_tear"] == tuple(DEFAULTS["reference"]["accepted"]["pcl_tear"])


def test_a_derived_condition_follows_its_parts(contract: Contract) -> None:
    parts = {"medial_meniscus_tear": [0, 30], "lateral_meniscus_tear": [5, 60]}
    settled = {"medial_meniscus_tear": ["mri"], "lateral_meniscus_tear": ["arthroscopy", "mri"]}
    loaded = load_protocol({"windows": parts, "reference": {"accepted": settled}}, contract)
    assert loaded.windows["meniscal_tear"] == (0, 60)
    assert loaded.reference.accepted["meniscal_tear"] == ("mri", "arthroscopy")
    own = load_protocol({"windows": {**parts, "meniscal_tear": [0, 10]}}, contract)
    assert own.windows["meniscal_tear"] == (0, 10)


def test_a_case_definition_lets_follow_up_settle_and_labels_the_figures(contract: Contract) -> None:
    source = {
        "windows": {"patellofemoral_pain": [14, 180]},
        "reference": {"clinical_case_definition": {"patellofemoral_pain": CASE}},
    }
    loaded = load_protocol(source, contract)
    assert loaded.reference.accepted["patellofemoral_pain"] == ("follow_up",)
    assert loaded.is_clinical("patellofemoral_pain")
    assert not loaded.is_clinical("acl_tear")
    assert not loaded.is_clinical("patellar_instability")


def test_equal_protocols_have_equal_hashes_and_others_not(
    tmp_path: Path, contract: Contract, protocol: Protocol
) -> None:
    spelled = _write(tmp_path, "equivocal: excluded\nwindows: {acl_tear: [0, 180]}\n")
    assert load_protocol(spelled, contract) == protocol
    assert load_protocol(spelled, contract).hash == protocol.hash
    assert load_protocol(json.loads(json.dumps(protocol.to_dict())), contract) == protocol
    assert load_protocol({"equivocal": "positive"}, contract).hash != protocol.hash
    assert len(protocol.hash) == 64


def test_a_protocol_cannot_be_changed(protocol: Protocol) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        protocol.equivocal = "positive"  # type: ignore[misc]
    with pytest.raises(TypeError):
        protocol.windows["acl_tear"] = (0, 1)  # type: ignore[index]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "equivocl: positive\n",
            "protocol.yaml, line 1, equivocl: unknown key 'equivocl'; did you mean 'equivocal'? " + KEYS,
        ),
        (
            "display:\n  min_participant: 5\n",
            "protocol.yaml, line 2, display.min_participant: unknown key 'min_participant'; "
            "did you mean 'min_participants'? use one of min_participants",
        ),
        (
            "equivocal: maybe\n",
            "protocol.yaml, line 1, equivocal: 'maybe' is not a legal value; use one of excluded, positive, negative",
        ),
        (
            "intervals: {level: 95}\n",
            "protocol.yaml, line 1, intervals.level: 95 is out of range; write a number above 0.5 and below 1",
        ),
        (
            "display: {min_participants: 0}\n",
            "protocol.yaml, line 1, display.min_participants: 0 is out of range; write a number from 1 to 1000",
        ),
        (
            "eligibility: {exclude_prior_surgery: yes}\n",
            "protocol.yaml, line 1, eligibility.exclude_prior_surgery: is text, not true or false; "
            "write true or false, without quotes",
        ),
        (
            "groups: {acuity: [84, 21]}\n",
            "protocol.yaml, line 1, groups.acuity: is not ascending; "
            "write 1 to 20 numbers, each larger than the one before",
        ),
        (
            "groups: {acuity: [21]}\n",
            "protocol.yaml, line 1, groups.acuity: does not hold 2 numbers; "
            "write ascending whole numbers from 0 to 36500, 2 of them",
        ),
        (
            "windows: {acl_tear: [90, 0]}\n",
            "protocol.yaml, line 1, windows.acl_tear: is not a window; write first and last day, as [0, 90]",
        ),
        (
            "windows: {patellofemoral_pain: [0, 90]}\n",
            "protocol.yaml, line 1, windows.patellofemoral_pain: is a window for a condition that nothing settles; "
            "drop it, or write reference.clinical_case_definition.patellofemoral_pain",
        ),
        (
            "reference:\n  accepted:\n    acl_tear: [mri, follow_up]\n",
            "protocol.yaml, line 3, reference.accepted.acl_tear: follow_up needs a written case definition; "
            "write reference.clinical_case_definition.acl_tear, or drop follow_up",
        ),
        (
            "reference: {accepted: {acl_tear: [radiograph]}}\n",
            "protocol.yaml, line 1, reference.accepted.acl_tear[0]: 'radiograph' is not a modality that can settle "
            "acl_tear; use one of open_surgery, arthroscopy, mri, follow_up",
        ),
        (
            "reference: {accepted: {acl_tear: []}}\n",
            "protocol.yaml, line 1, reference.accepted.acl_tear: is empty; "
            "name one or more of open_surgery, arthroscopy, mri, follow_up",
        ),
        (
            f"reference: {{clinical_case_definition: {{patellofemoral_pain: '{CASE}'}}}}\n",
            "protocol.yaml, line 1, reference.clinical_case_definition.patellofemoral_pain: has no window; "
            "add windows.patellofemoral_pain, as [first, last] in days after the exam",
        ),
        (
            f"reference: {{clinical_case_definition: {{acl_tear: '{CASE}'}}}}\n",
            "protocol.yaml, line 1, reference.clinical_case_definition.acl_tear: is not used, since follow_up is not "
            "accepted; add follow_up to reference.accepted.acl_tear, or drop the definition",
        ),
        (
            "windows: {patellofemoral_pain: [0, 9]}\n"
            "reference: {clinical_case_definition: {patellofemoral_pain: pain and a painful patellar_grind}}\n",
            "protocol.yaml, line 2, reference.clinical_case_definition.patellofemoral_pain: uses the index maneuver "
            "patellar_grind; define the case without the maneuvers under study",
        ),
        (
            "display: {min_participants: 5}\nlearning: {p_unacceptable: 0.1}\n",
            "protocol.yaml, line 2, learning.p_unacceptable: the acceptable share of failures (0.2) is not below the "
            "unacceptable one (0.1); write learning.p_acceptable below learning.p_unacceptable",
        ),
        (
            "predictive_values: {prevalence: {acl_tear: 1}}\n",
            "protocol.yaml, line 1, predictive_values.prevalence.acl_tear: 1 is out of range; "
            "write a number above 0 and below 1",
        ),
        ("joint: elbow\n", "protocol.yaml, line 1, joint: 'elbow' is not a legal value; use one of knee"),
        ("windows:\n", "protocol.yaml, line 1, windows: is empty, not a mapping; write it as lines of 'key: value'"),
    ],
)
def test_what_is_not_legal_is_refused_in_one_line(tmp_path: Path, contract: Contract, text: str, message: str) -> None:
    with pytest.raises(ProtocolError) as refused:
        load_protocol(_write(tmp_path, text), contract)
    assert str(refused.value) == message


def test_every_fault_of_a_file_is_said_at_once_in_the_order_of_the_file(tmp_path: Path, contract: Contract) -> None:
    text = """\
windows: {acl_tear: [90, 0]}
display:
  min_participant: 5
equivocal: postive
equivocal: excluded
intervals: {level: 95}
learning: {p_acceptable: 0.5}
groups: {age_band: [20, 50]}
comparisons: {groups: {age_band: [[under_16, 50_over]]}}
"""
    with pytest.raises(ProtocolError) as refused:
        load_protocol(_write(tmp_path, text), contract)
    said = str(refused.value).split("\n")
    assert [line.split(":", 1)[0] for line in said] == [
        "protocol.yaml, line 1, windows.acl_tear",
        "protocol.yaml, line 3, display.min_participant",
        "protocol.yaml, line 4, equivocal",
        "protocol.yaml, line 5, equivocal",
        "protocol.yaml, line 6, intervals.level",
        "protocol.yaml, line 7, learning.p_acceptable",
        "protocol.yaml, line 9, comparisons.groups.age_band[0][0]",
    ]
    assert said[2].endswith(
        "'postive' is not a legal value; did you mean 'positive'? use one of excluded, positive, negative"
    )


def test_one_slip_is_one_line(tmp_path: Path, contract: Contract) -> None:
    """What follows from a fault is not said as another: neither in its own section nor across sections."""
    case = "reference: {clinical_case_definition: {patellofemoral_pain: pain on stairs}}"
    text = f"learning: {{p_acceptable: high, p_unacceptable: 0.1}}\nwindows: {{patellofemoral_pain: [9, 0]}}\n{case}\n"
    with pytest.raises(ProtocolError) as refused:
        load_protocol(_write(tmp_path, text), contract)
    assert [line.split(":")[0] for line in str(refused.value).split("\n")] == [
        "protocol.yaml, line 1, learning.p_acceptable",
        "protocol.yaml, line 2, windows.patellofemoral_pain",
    ]


def test_a_file_full_of_faults_is_not_printed_whole(tmp_path: Path, contract: Contract) -> None:
    with pytest.raises(ProtocolError) as refused:
        load_protocol(_write(tmp_path, "".join(f"a{number}: 1\n" for number in range(80))), contract)
    said = str(refused.value).split("\n")
    assert len(said) == 51
    assert said[-1] == "protocol.yaml: 30 more faults; mend these first"


BOMB = "a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\n"
HOSTILE = {
    "a tag that makes an object": "equivocal: !!python/object/apply:os.system ['true']\n",
    "aliases that grow": BOMB,
    "nesting without end": "a: " + "[" * 3000 + "\n",
    "a path as a value": "equivocal: ../../etc/passwd\n",
    "a query as a condition": 'windows: {"acl_tear\'; drop table exams; --": [0, 1]}\n',
    "a break and a terminal code in a key": '"x\\ny\\e[31m": 1\n',
    "a very long key": f"'{'x' * 100_000}': 1\n",
    "not YAML": "a: [1\nb: }\n",
    "not a mapping": "- equivocal\n",
    "not text": "equivocal: \x00\n",
    "two keys alike": "equivocal: positive\nequivocal: negative\n",
    "a number that is none": "intervals: {level: .nan}\n",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_protocol_is_refused_in_one_printable_line(tmp_path: Path, contract: Contract, text: str) -> None:
    with pytest.raises(ProtocolError) as refused:
        load_protocol(_write(tmp_path, text), contract)
    assert str(refused.value).isprintable()
    assert len(str(refused.value)) < 2000
    assert str(tmp_path) not in str(refused.value)


def test_plain_data_is_refused_by_path(contract: Contract) -> None:
    with pytest.raises(
        ProtocolError, match=r"^protocol, display.min_participants: is true or false, not a whole number"
    ):
        load_protocol({"display": {"min_participants": True}}, contract)


days = st.integers(-400, 400)
protocols = st.fixed_dictionaries(
    {},
    optional={
        "equivocal": st.sampled_from(["excluded", "positive", "negative"]),
        "windows": st.dictionaries(st.sampled_from(sorted(DEFAULTS["windows"])), st.tuples(days, days).map(sorted)),
        "groups": st.fixed_dictionaries({"age_band": st.sets(st.integers(1, 90), min_size=1, max_size=8).map(sorted)}),
        "post_test": st.fixed_dictionaries(
            {"pre_test": st.sets(st.floats(0.001, 0.999), min_size=1, max_size=6).map(sorted)}
        ),
        "core": st.lists(st.sampled_from(CORE), unique=True),
    },
)


@given(source=protocols)
def test_a_resolved_protocol_read_again_is_the_same(source: dict[str, Any], contract: Contract) -> None:
    loaded = load_protocol(source, contract)
    again = load_protocol(json.loads(json.dumps(loaded.to_dict())), contract)
    assert again == loaded
    assert again.hash == loaded.hash


@given(cuts=st.sets(st.integers(1, 90), min_size=1, max_size=8).map(sorted), age=st.integers(0, 90))
def test_every_age_falls_in_exactly_one_band(cuts: list[int], age: int) -> None:
    bands = Bands.between(tuple(cuts))
    code = bands.codes[sum(age >= start for start in bands.starts)]
    low, high = {"under": (0, cuts[0] - 1)}.get(code.split("_")[0], (0, 0))
    if not code.startswith("under"):
        first, last = code.split("_")
        low, high = int(first), 90 if last == "over" else int(last)
    assert low <= age <= high
    assert len(set(bands.codes)) == len(cuts) + 1


@pytest.mark.parametrize(
    ("comparisons", "said"),
    [
        ({"groups": {"age_band": [["under_16", "x"]]}}, r"groups.age_band\[0\]\[1\]: 'x' is not a group of age_band"),
        ({"groups": {"role": [["student"]]}}, r"groups.role\[0\]: is not a pair; write two"),
        ({"groups": {"period": []}}, "groups.period: unknown key 'period'"),
        ({"family": {"acl_tear": [["lachman", "dial_test"]]}}, "'dial_test' is not a maneuver for acl_tear"),
        (
            {"family": {"acl_tear": [["lachman", "lever_sign"], ["lever_sign", "lachman"]]}},
            r"family.acl_tear\[1\]: stands twice",
        ),
        ({"groups": {"acuity": [["acute", "subacute+old"]]}}, "'subacute.old' is not a group of acuity"),
        ({"groups": {"acuity": [["acute+chronic", "subacute"]]}}, "leaves out a band between; merge neighbors"),
        ({"groups": {"role": [["resident+resident", "attending"]]}}, "names a level twice"),
        ({"groups": {"sex": [["female", "male"], ["female+male", "other"]]}}, "'female' is in 'female' and in"),
        ({"groups": {"role": [["resident+attending", "fellow"]]}}, "merges roles that agreement.learners parts"),
    ],
)
def test_a_pair_that_cannot_be_compared_is_refused(comparisons: dict[str, Any], said: str, contract: Contract) -> None:
    with pytest.raises(ProtocolError, match=said):
        load_protocol({"comparisons": comparisons}, contract)


def test_levels_of_a_grouping_can_be_one_group(contract: Contract) -> None:
    groups = {"acuity": [["acute", "subacute+chronic"]], "role": [["attending", "resident+fellow"]]}
    loaded = load_protocol({"comparisons": {"groups": groups}}, contract)
    assert loaded.comparisons.merged("acuity") == {"subacute": "subacute+chronic", "chronic": "subacute+chronic"}
    assert loaded.comparisons.grouped("role", ("fellow", "resident", "student")) == ("resident+fellow", "student")
    orders = {one.name: one.order for one in groupings(contract, loaded)}
    assert orders["acuity"] == ("acute", "subacute+chronic")
    assert orders["role"][:3] == ("attending", "resident+fellow", "advanced_practice")
    assert load_protocol(loaded.to_dict(), contract) == loaded


def test_pairs_are_compared_as_the_protocol_says(contract: Contract) -> None:
    chosen = {"groups": {"age_band": [["60_over", "under_16"]]}, "family": {"acl_tear": [["lever_sign", "lachman"]]}}
    loaded = load_protocol({"comparisons": chosen}, contract).comparisons
    assert loaded.groups == {"age_band": (("60_over", "under_16"),)}
    assert loaded.family == {"acl_tear": (("lachman", "lever_sign"),)}
    sparse = load_protocol({"core": ["pivot_shift"]}, contract).comparisons.family
    assert set(sparse) == {"acl_tear"}
    assert ("lachman", "drop_leg_lachman") in sparse["acl_tear"]
    assert ("lachman", "anterior_drawer") not in sparse["acl_tear"]
