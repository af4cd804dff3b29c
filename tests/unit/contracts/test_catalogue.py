"""The knee catalogue holds every code of the public contract; a wrong catalogue is refused with file, path and mend."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from examtally.contracts.catalogue.catalogue import AssumedAccuracy, Catalogue, load_catalogue
from examtally.contracts.catalogue.local import load_local
from examtally.contracts.dictionary.dictionary import render_dictionary
from examtally.errors import ContractError

ALL = ("present", "absent", "indeterminate")
SURGERY = ("open_surgery", "arthroscopy")
UNSETTLED = "No test settles this diagnosis. We can say how often two examiners agree, not who is right."

# The public contract: condition -> (modalities in order of authority, window, core, severity codes)
CRUCIATE = ("partial", "complete")
GRADES = ("grade_1", "grade_2", "grade_3")
MENISCUS = ("displaced", "not_displaced")
CONDITIONS = {
    "acl_tear": ((*SURGERY, "mri"), (0, 180), True, CRUCIATE),
    "pcl_tear": ((*SURGERY, "mri", "stress_radiograph"), (0, 180), False, CRUCIATE),
    "mcl_injury": (("open_surgery", "mri", "stress_radiograph", "ultrasound"), (0, 42), True, GRADES),
    "lcl_injury": (("open_surgery", "mri", "stress_radiograph", "ultrasound"), (0, 42), False, GRADES),
    "posterolateral_corner_injury": (("open_surgery", "mri", "stress_radiograph"), (0, 42), False, GRADES),
    "medial_meniscus_tear": ((*SURGERY, "mri"), (0, 90), True, MENISCUS),
    "lateral_meniscus_tear": ((*SURGERY, "mri"), (0, 90), True, MENISCUS),
    "meniscal_tear": ((*SURGERY, "mri"), (0, 90), False, MENISCUS),
    "patellar_tendinopathy": (("ultrasound", "mri"), (0, 60), False, ()),
    "knee_effusion": (("mri", "ultrasound", "aspiration"), (0, 3), False, ()),
    "tibiofemoral_osteoarthritis": (("radiograph",), (-365, 365), False, ("kl_0", "kl_1", "kl_2", "kl_3", "kl_4")),
    "popliteal_cyst": (("ultrasound", "mri"), (0, 30), False, ()),
    "prepatellar_bursitis": (("ultrasound", "mri"), (0, 14), False, ()),
    "patellofemoral_pain": ((), None, False, ()),
    "iliotibial_band_syndrome": ((), None, False, ()),
    "pes_anserine_bursitis": ((), None, False, ()),
    "patellar_instability": ((), None, False, ()),
}

# maneuver -> (phase, purpose, intended conditions)
MEDIAL = ("medial_meniscus_tear", "meniscal_tear")
LATERAL = ("lateral_meniscus_tear", "meniscal_tear")
MANEUVERS = {
    "visible_swelling": ("look", "diagnostic", ("knee_effusion",)),
    "prepatellar_swelling": ("look", "diagnostic", ("prepatellar_bursitis",)),
    "bony_enlargement": ("look", "diagnostic", ("tibiofemoral_osteoarthritis",)),
    "quadriceps_atrophy": ("look", "contributor", ()),
    "single_leg_squat": ("look", "contributor", ()),
    "antalgic_gait": ("look", "contributor", ()),
    "standing_alignment": ("look", "contributor", ()),
    "foot_posture": ("look", "contributor", ()),
    "patellar_tap": ("feel", "diagnostic", ("knee_effusion",)),
    "sweep_test": ("feel", "diagnostic", ("knee_effusion",)),
    "patellar_glide": ("feel", "diagnostic", ("patellar_instability",)),
    "patellar_facet_tenderness": ("feel", "diagnostic", ("patellofemoral_pain",)),
    "patellar_tendon_tenderness": ("feel", "diagnostic", ("patellar_tendinopathy",)),
    "medial_joint_line_tenderness": ("feel", "diagnostic", MEDIAL),
    "lateral_joint_line_tenderness": ("feel", "diagnostic", LATERAL),
    "popliteal_fullness": ("feel", "diagnostic", ("popliteal_cyst",)),
    "pes_anserine_tenderness": ("feel", "diagnostic", ("pes_anserine_bursitis",)),
    "lateral_femoral_epicondyle_tenderness": ("feel", "diagnostic", ("iliotibial_band_syndrome",)),
    "tibiofemoral_crepitus": ("feel", "diagnostic", ("tibiofemoral_osteoarthritis",)),
    "extension_deficit": ("move", "diagnostic", ("meniscal_tear",)),
    "forced_flexion_pain": ("move", "diagnostic", ("meniscal_tear",)),
    "flexion_deficit": ("move", "diagnostic", ("knee_effusion", "tibiofemoral_osteoarthritis")),
    "straight_leg_raise": ("move", "safety", ()),
    "hip_rotation_screen": ("move", "safety", ()),
    "lachman": ("special", "diagnostic", ("acl_tear",)),
    "drop_leg_lachman": ("special", "diagnostic", ("acl_tear",)),
    "anterior_drawer": ("special", "diagnostic", ("acl_tear",)),
    "pivot_shift": ("special", "diagnostic", ("acl_tear",)),
    "lever_sign": ("special", "diagnostic", ("acl_tear",)),
    "posterior_drawer": ("special", "diagnostic", ("pcl_tear",)),
    "posterior_sag": ("special", "diagnostic", ("pcl_tear",)),
    "quadriceps_active": ("special", "diagnostic", ("pcl_tear",)),
    "valgus_stress_0": ("special", "diagnostic", ("mcl_injury",)),
    "valgus_stress_30": ("special", "diagnostic", ("mcl_injury",)),
    "varus_stress_0": ("special", "diagnostic", ("lcl_injury",)),
    "varus_stress_30": ("special", "diagnostic", ("lcl_injury",)),
    "dial_test": ("special", "diagnostic", ("posterolateral_corner_injury",)),
    "mcmurray_medial": ("special", "diagnostic", MEDIAL),
    "mcmurray_lateral": ("special", "diagnostic", LATERAL),
    "thessaly_medial": ("special", "diagnostic", MEDIAL),
    "thessaly_lateral": ("special", "diagnostic", LATERAL),
    "patellar_apprehension": ("special", "diagnostic", ("patellar_instability",)),
    "patellar_grind": ("special", "diagnostic", ("patellofemoral_pain",)),
    "noble_compression": ("special", "diagnostic", ("iliotibial_band_syndrome",)),
    "ober": ("special", "contributor", ()),
}
CORE_MANEUVERS = {
    "visible_swelling",
    "medial_joint_line_tenderness",
    "lateral_joint_line_tenderness",
    "extension_deficit",
    "lachman",
    "posterior_sag",
    "valgus_stress_30",
    "varus_stress_30",
}
HISTORY = (
    *("pop", "swelling_within_hours", "swelling_next_day", "giving_way", "locking", "catching", "could_continue"),
    *("could_bear_weight", "earlier_injury", "night_or_rest_pain", "fever_or_unwell", "hypermobile"),
)
MECHANISMS = (
    *("noncontact_twist", "landing", "blow_outer_side", "blow_inner_side", "blow_front_of_shin", "hyperextension"),
    *("deep_flexion", "fall", "overuse", "gradual", "other", "unknown"),
)
MODALITIES = (
    *("open_surgery", "arthroscopy", "mri", "ultrasound", "radiograph", "stress_radiograph", "ct", "aspiration"),
    "follow_up",
)
SIGNS = {"laxity", "click", "clunk", "block", "apprehension", "tenderness", "visible", "restricted", "weakness"}
UNITS = {
    "quadriceps_atrophy": "cm",
    "extension_deficit": "deg",
    "flexion_deficit": "deg",
    "dial_test": "deg",
    "lachman": "mm",
    "posterior_drawer": "mm",
    "valgus_stress_30": "mm",
    "varus_stress_30": "mm",
}
LAXITY = (
    *("lachman", "drop_leg_lachman", "anterior_drawer", "pivot_shift", "posterior_drawer", "posterior_sag"),
    *("valgus_stress_0", "valgus_stress_30", "varus_stress_0", "varus_stress_30", "dial_test", "patellar_glide"),
)
SOURCES = {
    *("Sokal", "Scholten", "van Eck", "Huang", "Huang Z", "Bilgin", "Abruscato", "Hegedus", "Karachalios", "Akseki"),
    *(
        "Corea",
        "Konan",
        "Eren",
        "Maricar",
        "Elsawy",
        "Cook",
        "Blyth",
        "Smith",
        "Galli",
        "Goossens",
    ),
    *("Rubinstein", "Harilainen", "Norris", "Nunes", "Doberstein"),
    *("AAOS video", "PMC5389077"),
}


@pytest.fixture(scope="module")
def knee() -> Catalogue:
    return load_catalogue("knee")


def _of_contract(found: Iterable[str], contract: Iterable[str]) -> tuple[str, ...]:
    """Those found that the public contract names, in the order found: a catalogue may have more."""
    return tuple(code for code in found if code in set(contract))


class TestConditions:
    def test_all_are_there_in_order(self, knee: Catalogue) -> None:
        assert _of_contract(knee.conditions, CONDITIONS) == tuple(CONDITIONS)

    @pytest.mark.parametrize("code", CONDITIONS)
    def test_reference_standard(self, knee: Catalogue, code: str) -> None:
        condition = knee.conditions[code]
        modalities, window, core, severity = CONDITIONS[code]
        assert condition.modalities == modalities
        assert condition.window_days == window
        assert condition.core is core
        assert tuple(item.code for item in condition.severity) == severity

    def test_aspiration_settles_only_present(self, knee: Catalogue) -> None:
        limited = {
            (condition.code, entry.modality): entry.only
            for condition in knee.conditions.values()
            for entry in condition.settled_by
            if entry.only != frozenset(ALL)
        }
        assert limited == {("knee_effusion", "aspiration"): frozenset({"present"})}

    def test_surgery_is_taken_as_true_for_cruciates_and_menisci_alone(self, knee: Catalogue) -> None:
        trusted = {condition.code for condition in knee.conditions.values() if condition.taken_as_true}
        assert trusted == {"acl_tear", "pcl_tear", "medial_meniscus_tear", "lateral_meniscus_tear", "meniscal_tear"}
        assert {knee.conditions[code].taken_as_true for code in trusted} == {SURGERY}

    def test_a_meniscal_tear_is_derived_from_both_sides(self, knee: Catalogue) -> None:
        derived = {condition.code: condition.derived_from for condition in knee.conditions.values()}
        assert derived.pop("meniscal_tear") == ("medial_meniscus_tear", "lateral_meniscus_tear")
        assert set(derived.values()) == {()}

    def test_patterns_of_the_menisci(self, knee: Catalogue) -> None:
        patterns = {code: {item.code for item in knee.conditions[code].pattern} for code in CONDITIONS}
        assert {"degenerative", "traumatic", "root", "ramp"} <= patterns["medial_meniscus_tear"]
        assert patterns["meniscal_tear"] == patterns["medial_meniscus_tear"] | patterns["lateral_meniscus_tear"]
        assert "ramp" not in patterns["lateral_meniscus_tear"]

    def test_the_unsettled_say_so(self, knee: Catalogue) -> None:
        notes = {condition.code: condition.unsettled_note for condition in knee.conditions.values()}
        assert {code for code, note in notes.items() if note} == set(list(CONDITIONS)[-4:])
        assert {note for note in notes.values() if note} == {UNSETTLED}

    @pytest.mark.parametrize(
        ("code", "sensitivity", "specificity"),
        [
            # Phelan, Knee Surg Sports Traumatol Arthrosc 2016;24:1525
            ("acl_tear", (0.87, 0.77, 0.94), (0.93, 0.91, 0.96)),
            ("medial_meniscus_tear", (0.89, 0.83, 0.94), (0.88, 0.82, 0.93)),
            ("lateral_meniscus_tear", (0.78, 0.66, 0.87), (0.95, 0.91, 0.97)),
        ],
    )
    def test_assumed_accuracy_of_mri(
        self,
        knee: Catalogue,
        code: str,
        sensitivity: tuple[float, float, float],
        specificity: tuple[float, float, float],
    ) -> None:
        first = knee.conditions[code].reference_accuracy[0]
        assert (first.modality, first.source[:6]) == ("mri", "Phelan")
        assert (first.sensitivity, first.sensitivity_low, first.sensitivity_high) == sensitivity
        assert (first.specificity, first.specificity_low, first.specificity_high) == specificity

    def test_every_reference_that_may_err_has_a_figure_or_is_assumed(self, knee: Catalogue) -> None:
        unpublished = {
            (condition.code, modality)
            for condition in knee.conditions.values()
            for modality in condition.unpublished
            if not condition.derived_from
        }
        assert unpublished == {
            ("pcl_tear", "stress_radiograph"),
            ("mcl_injury", "open_surgery"),
            ("lcl_injury", "open_surgery"),
            ("lcl_injury", "stress_radiograph"),
            ("posterolateral_corner_injury", "open_surgery"),
            ("posterolateral_corner_injury", "stress_radiograph"),
            ("knee_effusion", "mri"),
            ("knee_effusion", "aspiration"),
            ("tibiofemoral_osteoarthritis", "radiograph"),
            ("popliteal_cyst", "mri"),
            ("prepatellar_bursitis", "mri"),
        }
        assert knee.generic_reference_accuracy == AssumedAccuracy(0.88, 0.94, 0.5)

    @pytest.mark.parametrize(
        ("code", "modality", "sensitivity", "specificity"),
        [  # first row of each, as printed or worked out from printed counts
            ("pcl_tear", "mri", (1.00, 0.44, 1.00), (0.98, 0.879, 0.996)),
            ("mcl_injury", "mri", (0.885, 0.71, 0.96), (0.971, 0.851, 0.995)),
            ("mcl_injury", "stress_radiograph", (0.93, 0.84, 0.97), (1.00, 0.85, 1.00)),
            ("lcl_injury", "ultrasound", (0.923, 0.76, 0.98), (1.00, 0.90, 1.00)),
            ("posterolateral_corner_injury", "mri", (0.933, None, None), (0.80, None, None)),
            ("patellar_tendinopathy", "mri", (0.57, 0.39, 0.73), (0.82, 0.66, 0.91)),
            ("knee_effusion", "ultrasound", (0.813, 0.72, 0.88), (1.00, 0.94, 1.00)),
            ("popliteal_cyst", "ultrasound", (0.97, 0.73, 1.00), (1.00, 0.98, 1.00)),
            ("prepatellar_bursitis", "ultrasound", (0.867, 0.62, 0.96), (1.00, 0.97, 1.00)),
        ],
    )
    def test_published_accuracy_of_other_references(
        self,
        knee: Catalogue,
        code: str,
        modality: str,
        sensitivity: tuple[float | None, ...],
        specificity: tuple[float | None, ...],
    ) -> None:
        row = next(row for row in knee.conditions[code].reference_accuracy if row.modality == modality)
        assert (row.sensitivity, row.sensitivity_low, row.sensitivity_high) == sensitivity
        assert (row.specificity, row.specificity_low, row.specificity_high) == specificity

    def test_the_dictionary_says_what_is_assumed(self) -> None:
        printed = json.loads(render_dictionary("conditions", form="json"))
        rows = {(row["name"], row["choice"]): row["description"] for row in printed}
        assert rows["knee_effusion", "assumed_accuracy"] == (
            "mri, aspiration: no published figure; assumed sensitivity 0.88, specificity 0.94, standard deviation 0.5 "
            "on the logit scale"
        )
        assert ("acl_tear", "assumed_accuracy") not in rows
        assert ("meniscal_tear", "assumed_accuracy") not in rows


class TestManeuvers:
    def test_all_are_there_in_order(self, knee: Catalogue) -> None:
        assert _of_contract(knee.maneuvers, MANEUVERS) == tuple(MANEUVERS)

    @pytest.mark.parametrize("code", MANEUVERS)
    def test_phase_purpose_and_conditions(self, knee: Catalogue, code: str) -> None:
        maneuver = knee.maneuvers[code]
        assert (maneuver.phase, maneuver.purpose, maneuver.conditions) == MANEUVERS[code]
        assert maneuver.core is (code in CORE_MANEUVERS)
        assert set(maneuver.signs) <= SIGNS

    def test_of_those_of_the_contract_only_one_is_a_variant(self, knee: Catalogue) -> None:
        variants = {code: knee.maneuvers[code].variant_of for code in MANEUVERS if knee.maneuvers[code].variant_of}
        assert variants == {"drop_leg_lachman": "lachman"}

    @pytest.mark.parametrize(("code", "unit"), UNITS.items())
    def test_units(self, knee: Catalogue, code: str, unit: str) -> None:
        assert knee.maneuvers[code].unit == unit
        assert knee.maneuvers[code].measure_name

    @pytest.mark.parametrize("code", LAXITY)
    def test_laxity_is_always_against_the_other_knee(self, knee: Catalogue, code: str) -> None:
        assert knee.maneuvers[code].compared_with_other_side
        assert code == "dial_test" or set(knee.maneuvers[code].grades) >= {0, 1, 2, 3}

    @pytest.mark.parametrize(
        ("codes", "words"),
        [
            (("lachman", "drop_leg_lachman", "anterior_drawer"), "posterior sag first"),
            (
                ("pivot_shift", "dial_test", "mcmurray_medial", "mcmurray_lateral", "thessaly_medial"),
                "No forced rotation of a knee that may be locked",
            ),
            (("valgus_stress_0", "varus_stress_0"), "full extension means more than the collateral"),
            (("valgus_stress_0", "varus_stress_0"), "Check pulses"),
            (
                ("lachman", "anterior_drawer", "posterior_drawer", "valgus_stress_30", "varus_stress_30", "lever_sign"),
                "No stress before a fracture is excluded",
            ),
            (("pivot_shift", "patellar_apprehension", "patellar_grind", "noble_compression"), "at the patient's word"),
        ],
    )
    def test_cautions_of_the_trade(self, knee: Catalogue, codes: tuple[str, ...], words: str) -> None:
        for code in codes:
            assert words in " ".join(knee.maneuvers[code].cautions), code

    @pytest.mark.parametrize(
        "code",
        [
            *("lachman", "drop_leg_lachman", "anterior_drawer", "posterior_drawer"),
            *("valgus_stress_0", "valgus_stress_30", "varus_stress_0", "varus_stress_30"),
        ],
    )
    def test_what_is_positive_is_no_grade_0(self, knee: Catalogue, code: str) -> None:
        maneuver = knee.maneuvers[code]
        assert maneuver.grades[0] == "less than 3 mm more than the other knee"
        assert "3 mm or more" in maneuver.positive
        assert "no firm stop" in maneuver.positive
        assert maneuver.end_point is (maneuver.conditions[0] in ("acl_tear", "pcl_tear"))

    def test_the_sag_is_looked_for_before_the_other_special_tests(self, knee: Catalogue) -> None:
        special = [one.code for one in knee.in_exam_order if one.phase == "special"]
        assert special[0] == "posterior_sag"
        others = [one.code for one in knee.maneuvers.values() if one.phase == "special" and not one.done_first]
        assert special[1:] == others

    def test_pairs_stand_in_catalogue_order(self, knee: Catalogue) -> None:
        expected = [(condition, code) for code, row in MANEUVERS.items() for condition in row[2] or ("none",)]
        assert [pair for pair in knee.pairs if pair[1] in MANEUVERS] == expected

    @pytest.mark.parametrize("code", MANEUVERS)
    def test_words_are_complete(self, knee: Catalogue, code: str) -> None:
        maneuver = knee.maneuvers[code]
        assert len(re.findall(r"[.!?](?= |$)", maneuver.positive)) == 1
        assert 3 <= len(re.findall(r"[.!?](?= |$)", maneuver.technique)) <= 7
        assert len(maneuver.synonyms) >= 3


class TestPublished:
    def test_every_source_of_the_list_is_cited_and_each_figure_has_a_setting(self, knee: Catalogue) -> None:
        rows = [row for maneuver in knee.maneuvers.values() for row in maneuver.published]
        assert {re.split(r",| (?=\d{4})", row.source)[0] for row in rows} >= SOURCES
        assert len(rows) >= 94
        assert {row.bias for row in rows} == {"low", "unclear", "high"}

    @pytest.mark.parametrize("joint", ["knee", "shoulder", "ankle"])
    def test_each_figure_says_of_whom_by_what_standard_and_how_biased(self, joint: str) -> None:
        rows = [row for one in load_catalogue(joint).maneuvers.values() for row in one.published]
        assert [row for row in rows if not (row.source and row.setting and row.population and row.standard)] == []
        assert {row.bias for row in rows} <= {"low", "unclear", "high"}

    def test_what_was_examined_otherwise_stands_apart(self, knee: Catalogue) -> None:
        rows = [row for maneuver in knee.maneuvers.values() for row in maneuver.published]
        for words in ("under anesthesia", "for any of the bulge, tap and balloon tests", "the whole exam"):
            told = [row for row in rows if words in row.setting]
            assert told
            assert all(row.apart for row in told)
            assert all("left out of the range" in row.about for row in told)

    def test_a_source_is_cited_in_short(self, knee: Catalogue) -> None:
        cited = {row.cited for code in ("lachman", "mcmurray_medial") for row in knee.maneuvers[code].published}
        assert {"Sokal 2022", "Huang Z 2022", "Akseki 2004", "Galli 2012"} <= cited

    def test_every_maneuver_has_a_figure_or_the_reason_why_not(self, knee: Catalogue) -> None:
        for maneuver in knee.maneuvers.values():
            assert bool(maneuver.published) != bool(maneuver.no_published_figure), maneuver.code

    def test_no_test_is_judged_by_its_originator_alone(self, knee: Catalogue) -> None:
        for code in ("thessaly_medial", "thessaly_lateral"):
            figures = [row.sensitivity for row in knee.maneuvers[code].published if "Karachalios" not in row.source]
            assert len(figures) >= 2

    def test_the_static_test_has_no_figure_of_the_moving_one(self, knee: Catalogue) -> None:
        """Ahmad, Am J Sports Med 2009;37:791-796 tried the moving test; people with instability give no specificity."""
        rows = knee.maneuvers["patellar_apprehension"].published
        assert {(row.sensitivity, row.specificity) for row in rows} == {(0.82, None)}
        assert not any("Ahmad" in row.source for row in rows)

    @pytest.mark.parametrize(
        ("code", "source", "figures"),
        [
            ("patellar_tap", "Kastelein", (0.83, 0.49)),
            ("patellar_tendon_tenderness", "Maffulli", (0.98, 0.94)),
            ("lever_sign", "Hu", (0.81, 0.784)),
            ("medial_joint_line_tenderness", "Konan", (0.83, 0.76)),
            ("lateral_joint_line_tenderness", "Konan", (0.68, 0.97)),
            ("mcmurray_medial", "Galli", (0.34, 0.86)),
            ("patellar_grind", "Doberstein", (0.39, 0.67)),
        ],
    )
    def test_figures_as_printed(self, knee: Catalogue, code: str, source: str, figures: tuple[float, float]) -> None:
        rows = knee.maneuvers[code].published
        (row,) = [one for one in rows if one.source.split(",")[0].split(" ")[0] == source]
        assert (row.sensitivity, row.specificity) == figures

    def test_a_figure_stands_only_at_a_condition_the_maneuver_speaks_of(self, knee: Catalogue) -> None:
        for maneuver in knee.maneuvers.values():
            assert {row.condition for row in maneuver.published} <= set(maneuver.conditions)

    def test_those_under_anesthesia_are_told_from_those_awake(self, knee: Catalogue) -> None:
        rows = [(code, row) for code, m in knee.maneuvers.items() for row in m.published if "Eck" in row.source]
        settings = {
            (code, "anesthesia" in row.setting, row.sensitivity, row.specificity)
            for code, row in rows
            if ("awake" in row.setting) != ("anesthesia" in row.setting)
        }
        assert settings == {  # van Eck, Knee Surg Sports Traumatol Arthrosc 2013;21:1895-1903
            ("lachman", False, 0.81, 0.81),
            ("lachman", True, 0.91, 0.78),
            ("anterior_drawer", False, 0.38, 0.81),
            ("anterior_drawer", True, 0.63, 0.91),
            ("pivot_shift", False, 0.28, 0.81),
            ("pivot_shift", True, 0.73, 0.98),
        }

    @pytest.mark.parametrize(
        ("code", "sensitivity", "specificity"),
        [
            # Sokal, Knee Surg Sports Traumatol Arthrosc 2022;30:3287-3303
            ("lachman", (0.81, 0.73, 0.87), (0.85, 0.73, 0.92)),
            ("anterior_drawer", (0.83, 0.77, 0.88), (0.85, 0.64, 0.95)),
            ("pivot_shift", (0.55, 0.47, 0.62), (0.94, 0.88, 0.97)),
            ("lever_sign", (0.83, 0.68, 0.92), (0.91, 0.83, 0.95)),
        ],
    )
    def test_figures_of_one_meta_analysis(
        self,
        knee: Catalogue,
        code: str,
        sensitivity: tuple[float, float, float],
        specificity: tuple[float, float, float],
    ) -> None:
        row = next(row for row in knee.maneuvers[code].published if row.source.startswith("Sokal"))
        assert (row.sensitivity, row.sensitivity_low, row.sensitivity_high) == sensitivity
        assert (row.specificity, row.specificity_low, row.specificity_high) == specificity


class TestOtherSections:
    def test_history_and_mechanisms(self, knee: Catalogue) -> None:
        assert _of_contract(knee.history, HISTORY) == HISTORY
        assert _of_contract(knee.mechanisms, MECHANISMS) == MECHANISMS
        assert all(item.question.endswith("?") for item in knee.history.values())

    def test_modalities_and_what_a_routine_reading_covers(self, knee: Catalogue) -> None:
        assert _of_contract(knee.modalities, MODALITIES) == MODALITIES
        covered = set(knee.modalities["mri"].always_covers)
        assert covered >= {"acl_tear", "pcl_tear", "mcl_injury", "lcl_injury", "knee_effusion", "popliteal_cyst"}
        assert covered >= {"medial_meniscus_tear", "lateral_meniscus_tear"}
        assert knee.modalities["aspiration"].always_covers == ()

    @pytest.mark.parametrize(
        "words",
        ["fracture", "locked|springy", "pulse", "full extension", "lift the straight leg", "Fever", "calf", "child"],
    )
    def test_red_flags(self, knee: Catalogue, words: str) -> None:
        assert any(re.search(words, text) for text in knee.quick_rule_out)

    def test_the_fracture_rule_and_the_dislocated_knee_are_whole(self, knee: Catalogue) -> None:
        fracture = next(text for text in knee.quick_rule_out if "fracture" in text)
        assert all(words in fracture for words in ("any one of these: 55 years or older", "four steps", "right angle"))
        dislocated = next(text for text in knee.quick_rule_out if "dislocated" in text)
        for words in ("even if a pulse is felt", "ankle-brachial index", "below 0.9", "vessels by local protocol"):
            assert words in dislocated
        for words in ("55 or older", "ankle-brachial index", "vessels by local protocol"):
            assert words in knee.card_caution

    def test_sides_and_histories_have_the_words_of_the_trade(self, knee: Catalogue) -> None:
        odd = r"\b(?:inner|outer) (?:or (?:inner|outer) )?(?:joint line|compartment|femoral)|\bstory\b|\bmetres?\b"
        assert not [text for text in _prose(knee) if re.search(odd, text)]

    def test_the_catalogue_cannot_be_changed(self, knee: Catalogue) -> None:
        with pytest.raises(FrozenInstanceError):
            knee.conditions["acl_tear"].core = False  # type: ignore[misc]
        with pytest.raises(TypeError):
            knee.maneuvers["lachman"].grades[4] = "x"  # type: ignore[index]
        with pytest.raises(TypeError):
            del knee.conditions["acl_tear"]  # type: ignore[attr-defined]

    def test_no_name_but_those_the_trade_gives_its_tests(self, knee: Catalogue) -> None:
        cited = re.compile(r"\([^()]*(?:\b(?:19|20)\d\d;|\bdoi )[^()]*\)")
        prose = [cited.sub("", text) for text in _prose(knee)]
        named = {word for text in prose for word in re.findall(r"(?<=[a-z,;:(] )[A-Z][\w-]+", text)}
        assert named <= {"MRI", "CT", "Lachman", "Kellgren-Lawrence"}
        assert not re.search(r"https?:|www\.|[@®™]", " ".join(_prose(knee)))


def _prose(catalogue: Catalogue) -> Iterator[str]:
    """Every text of the catalogue but the sources of its figures."""
    yield from (*catalogue.quick_rule_out, catalogue.card_caution)
    for condition in catalogue.conditions.values():
        yield from (condition.name, condition.plain, condition.present_means)
        yield from (item.label for item in (*condition.severity, *condition.pattern))
    for maneuver in catalogue.maneuvers.values():
        yield from (maneuver.name, maneuver.positive, maneuver.technique, maneuver.measure_name or "")
        yield from (*maneuver.cautions, *maneuver.grades.values(), *maneuver.synonyms)
        yield from (row.setting for row in maneuver.published)
        yield maneuver.no_published_figure
    for item in catalogue.history.values():
        yield from (item.label, item.question, *item.synonyms)
    for mechanism in catalogue.mechanisms.values():
        yield from (mechanism.label, mechanism.description, *mechanism.synonyms)


# Another joint: a whole small catalogue, and the base of every wrong file below.
WRIST = """\
joint: wrist
title: Wrist
noun: {one: wrist, many: wrists}
region_noun: wrist
other_side_column: other_wrist
sheet_caution: Local protocol comes first.
rule_out_heading: Look for these first
unsettled_note: Nothing settles it.
quick_rule_out: [Think of a fracture first.]
generic_reference_accuracy: {sensitivity: 0.9, specificity: 0.95, logit_sd: 1}
modalities:
  arthroscopy: {name: Arthroscopy, label: arthroscopy, is_surgery: true, always_covers: [dorsal_tear]}
  mri: {name: MRI, label: MRI, always_covers: []}
  aspiration: {name: Aspiration, label: aspiration, always_covers: []}
  follow_up: {name: Follow-up, label: follow-up, always_covers: []}
conditions:
  dorsal_tear:
    name: Dorsal tear
    plain: A tear at the back.
    present_means: Seen.
    core: true
    settled_by: [arthroscopy, mri]
    taken_as_true: [arthroscopy]
    window_days: [0, 90]
    severity: {partial: partial, complete: complete}
    reference_accuracy:
      - {modality: mri, sensitivity: 0.8, sensitivity_ci: [0.7, 0.9], specificity: 0.9, source: Someone 2020}
  volar_tear:
    name: Volar tear
    plain: A tear at the front.
    present_means: Seen.
    settled_by: [arthroscopy, mri]
    taken_as_true: [arthroscopy]
    window_days: [0, 90]
  fluid:
    name: Fluid
    plain: Fluid in the joint.
    present_means: Drawn.
    settled_by: [mri, {modality: aspiration, only: [present]}]
    window_days: [0, 3]
  any_tear:
    name: Any tear
    plain: Either tear.
    present_means: Derived.
    derived_from: [dorsal_tear, volar_tear]
  wrist_pain:
    name: Wrist pain
    plain: Pain.
    present_means: A clinical diagnosis.
    settled_by: []
maneuvers:
  shift_test:
    name: Shift test
    phase: special
    purpose: diagnostic
    conditions: [dorsal_tear, any_tear]
    core: true
    positive: It shifts.
    signs: [laxity]
    technique: Shift it.
    grades: {0: none, 1: some}
    unit: mm
    measure_name: shift
    published:
      - condition: dorsal_tear
        sensitivity: 0.5
        sensitivity_ci: [0.4, 0.6]
        source: Someone, Some Journal 2020
        setting: A series
    synonyms: [dorsal shift]
  shift_test_prone:
    name: Shift test, prone
    phase: special
    purpose: diagnostic
    conditions: [dorsal_tear, any_tear]
    variant_of: shift_test
    positive: It shifts.
    signs: [laxity]
    technique: Shift it.
    synonyms: []
  grip:
    name: Grip
    phase: move
    purpose: contributor
    positive: It is weak.
    signs: [weakness]
    technique: Press.
    synonyms: []
history:
  pop: {label: Pop, question: "A pop?", synonyms: [snap]}
  click: {label: Click, question: "A click?", synonyms: []}
mechanisms:
  fall: {label: Fall, description: A fall., synonyms: []}
"""


def _load_wrist(folder: Path, text: str) -> Catalogue:
    file = folder / "wrist.yaml"
    file.write_text(text, encoding="utf-8")
    return load_local(file)


def test_another_joint_is_another_file(tmp_path: Path) -> None:
    wrist = _load_wrist(tmp_path, WRIST)
    assert (wrist.joint, list(wrist.maneuvers)) == ("wrist", ["shift_test", "shift_test_prone", "grip"])
    assert wrist.conditions["wrist_pain"].unsettled_note == "Nothing settles it."
    assert wrist.conditions["any_tear"].window_days == (0, 90)
    assert wrist.pairs[-1] == ("none", "grip")


def test_a_joint_without_a_file_is_refused_with_the_joints_there_are() -> None:
    with pytest.raises(ContractError, match=r"^there is no catalogue of the joint 'toe'; use one of .*knee"):
        load_catalogue("toe")


def test_the_line_named_is_the_line_of_the_fault(tmp_path: Path) -> None:
    text = WRIST.replace("phase: move", "phase: wiggle")
    line = 1 + text.split("\n").index("    phase: wiggle")
    with pytest.raises(ContractError) as caught:
        _load_wrist(tmp_path, text)
    assert str(caught.value) == (
        f"wrist.yaml, line {line}, maneuvers.grip.phase: 'wiggle' is not a phase; use one of look, feel, move, special"
    )


WRONG = {
    "missing section": ("title: Wrist\n", "", "'title' is missing; add"),
    "unknown section": ("title: Wrist\n", "title: Wrist\nextra: 1\n", "extra: unknown key 'extra'; use one of"),
    "modality code": (
        "  mri: {",
        "  X-ray: {}\n  mri: {",
        "modalities.X-ray: 'X-ray' cannot be a modality; use",
    ),
    "covers what it cannot settle": (
        "label: MRI, always_covers: []",
        "label: MRI, always_covers: [wrist_pain]",
        "modalities.mri.always_covers[0]: 'wrist_pain' is not a condition that mri settles by itself; use one of",
    ),
    "condition code": ("  fluid:", "  Fluid:", "conditions.Fluid: 'Fluid' cannot be a condition code; use a name"),
    "condition none": ("  fluid:", "  none:", "conditions.none: 'none' is kept for maneuvers without a condition; use"),
    "condition key": (
        "    plain: Fluid in the joint.",
        "    plane: Fluid.",
        "conditions.fluid.plane: unknown key 'plane'; did you mean 'plain'?",
    ),
    "undeclared modality": (
        "settled_by: [mri, {",
        "settled_by: [ct, {",
        "conditions.fluid.settled_by[0]: 'ct' is not a modality; use one of arthroscopy, mri, aspiration, follow_up",
    ),
    "modality twice": (
        "settled_by: [mri, {",
        "settled_by: [mri, mri, {",
        "conditions.fluid.settled_by: names a modality twice; keep it once",
    ),
    "status": (
        "only: [present]",
        "only: [positive]",
        "conditions.fluid.settled_by[1].only[0]: 'positive' is not a status; use one of present, absent",
    ),
    "no status": (
        "only: [present]",
        "only: []",
        "conditions.fluid.settled_by[1].only: is an empty list; name one or more of present, absent",
    ),
    "window order": (
        "window_days: [0, 3]",
        "window_days: [3, 0]",
        "conditions.fluid.window_days: is not an ordered pair of days; write [first, last]",
    ),
    "window length": (
        "window_days: [0, 3]",
        "window_days: [3]",
        "conditions.fluid.window_days: is not an ordered pair of days; write [first, last]",
    ),
    "window in words": (
        "window_days: [0, 3]",
        "window_days: [0, soon]",
        "conditions.fluid.window_days[1]: is text, not a whole number; write a whole number",
    ),
    "window missing": (
        "    window_days: [0, 3]\n",
        "",
        "conditions.fluid: a window goes with what settles a condition; add 'window_days'",
    ),
    "window too much": (
        "    settled_by: []\n",
        "    settled_by: []\n    window_days: [0, 3]\n",
        "conditions.wrist_pain.window_days: a window goes with what settles a condition; remove it",
    ),
    "trusted but not settling": (
        "taken_as_true: [arthroscopy]\n    window_days: [0, 90]\n    severity",
        "taken_as_true: [aspiration]\n    window_days: [0, 90]\n    severity",
        "conditions.dorsal_tear.taken_as_true[0]: 'aspiration' is not a modality that settles dorsal_tear; use one of",
    ),
    "severity code": (
        "severity: {partial: partial,",
        "severity: {Partial: partial,",
        "conditions.dorsal_tear.severity.Partial: 'Partial' cannot be a severity code; use a name",
    ),
    "assumed without doubt": (
        "logit_sd: 1}",
        "logit_sd: 0}",
        "generic_reference_accuracy.logit_sd: 0 is out of range; write a number from 0.01 to 5",
    ),
    "assumed without error": (
        "{sensitivity: 0.9, s",
        "{sensitivity: 1, s",
        "generic_reference_accuracy.sensitivity: 1 is out of range; write a number from 0.01 to 0.99",
    ),
    "assumed in part": (
        "specificity: 0.95, logit_sd: 1}",
        "logit_sd: 1}",
        "generic_reference_accuracy: 'specificity' is missing; add the key 'specificity'",
    ),
    "bias in many words": (
        "        setting: A series\n",
        "        setting: A series\n        bias: rather high\n",
        "maneuvers.shift_test.published[0].bias: 'rather high' is not a risk of bias; use one of low, unclear, high",
    ),
    "a figure and none": (
        "    synonyms: [dorsal shift]",
        "    no_published_figure: None was found.\n    synonyms: [dorsal shift]",
        "maneuvers.shift_test.no_published_figure: stands beside 'published'; keep one of the two",
    ),
    "reference in percent": (
        "0.9], specificity: 0.9,",
        "0.9], specificity: 90,",
        "conditions.dorsal_tear.reference_accuracy[0].specificity: 90 is out of range; write a number from 0 to 1",
    ),
    "reference without a source": (
        ", source: Someone 2020",
        "",
        "conditions.dorsal_tear.reference_accuracy[0]: 'source' is missing; add",
    ),
    "reference interval": (
        "sensitivity_ci: [0.7, 0.9]",
        "sensitivity_ci: [0.7, 0.75]",
        "conditions.dorsal_tear.reference_accuracy[0].sensitivity_ci: does not hold its estimate; write [lower, upper]",
    ),
    "derived from the unknown": (
        "derived_from: [dorsal_tear, volar_tear]",
        "derived_from: [dorsal_tear, any_tear]",
        "conditions.any_tear.derived_from[1]: 'any_tear' is not a condition that is not derived itself; "
        "did you mean 'volar_tear'? use one of",
    ),
    "derived from one": (
        "derived_from: [dorsal_tear, volar_tear]",
        "derived_from: [dorsal_tear]",
        "conditions.any_tear.derived_from: names too little; name two or more",
    ),
    "derived from unlike parts": (
        "derived_from: [dorsal_tear, volar_tear]",
        "derived_from: [dorsal_tear, fluid]",
        "conditions.any_tear.derived_from: its parts differ in settled_by, window_days or taken_as_true; give all",
    ),
    "maneuver key": (
        "    technique: Press.",
        "    technqiue: Press.",
        "maneuvers.grip.technqiue: unknown key 'technqiue'; did you mean 'technique'?",
    ),
    "maneuver without words": (
        "    technique: Press.\n",
        "",
        "maneuvers.grip: 'technique' is missing; add the key 'technique'",
    ),
    "blank words": ("technique: Press.", "technique: ' '", "maneuvers.grip.technique: is blank; write some text"),
    "purpose": (
        "purpose: contributor",
        "purpose: scored",
        "maneuvers.grip.purpose: 'scored' is not a purpose; use one of diagnostic, contributor, safety",
    ),
    "condition of a maneuver": (
        "conditions: [dorsal_tear, any_tear]\n    core",
        "conditions: [dorsal_tear, sprain]\n    core",
        "maneuvers.shift_test.conditions[1]: 'sprain' is not a condition of this catalogue; use one of dorsal_tear",
    ),
    "diagnostic without conditions": (
        "purpose: contributor",
        "purpose: diagnostic",
        "maneuvers.grip: a diagnostic maneuver without conditions; name its conditions",
    ),
    "contributor with conditions": (
        "purpose: contributor",
        "purpose: contributor\n    conditions: [fluid]",
        "maneuvers.grip.conditions: a contributor maneuver with conditions; remove them",
    ),
    "sign": (
        "signs: [weakness]",
        "signs: [weak]",
        "maneuvers.grip.signs[0]: 'weak' is not a sign; did you mean 'weakness'? use one of laxity, click",
    ),
    "flag": (
        "    core: true\n    positive",
        "    core: yes\n    positive",
        "maneuvers.shift_test.core: is text, not true or false; write true or false",
    ),
    "grade six": (
        "grades: {0: none, 1: some}",
        "grades: {0: none, 6: some}",
        "maneuvers.shift_test.grades.6: '6' cannot be a grade from 0 to 5; use a name",
    ),
    "grade gap": (
        "grades: {0: none, 1: some}",
        "grades: {0: none, 2: some}",
        "maneuvers.shift_test.grades: is not a scale; label two or more grades, 0 first",
    ),
    "unit": (
        "unit: mm",
        "unit: inch",
        "maneuvers.shift_test.unit: 'inch' is not a unit; use one of mm, deg, cm",
    ),
    "unit without a measure": (
        "    measure_name: shift\n",
        "",
        "maneuvers.shift_test: 'unit' and 'measure_name' go together; give both or neither",
    ),
    "variant of the unknown": (
        "variant_of: shift_test",
        "variant_of: grip",
        "maneuvers.shift_test_prone.variant_of: 'grip' is not a maneuver for the same conditions; use one of",
    ),
    "variant of itself": (
        "variant_of: shift_test",
        "variant_of: shift_test_prone",
        "maneuvers.shift_test_prone.variant_of: 'shift_test_prone' is not a maneuver for the same conditions; "
        "did you mean 'shift_test'? use one of",
    ),
    "published elsewhere": (
        "- condition: dorsal_tear",
        "- condition: fluid",
        "maneuvers.shift_test.published[0].condition: 'fluid' is not a condition of shift_test; use one of dorsal_tear",
    ),
    "published without a source": (
        "        source: Someone, Some Journal 2020\n",
        "",
        "maneuvers.shift_test.published[0]: 'source' is missing; add the key 'source'",
    ),
    "published without a year": (
        "Some Journal 2020",
        "Some Journal",
        "maneuvers.shift_test.published[0].source: 'Someone, Some Journal' has the wrong form; use text that",
    ),
    "published without a setting": (
        "        setting: A series\n",
        "",
        "maneuvers.shift_test.published[0]: 'setting' is missing; add the key 'setting'",
    ),
    "published without a figure": (
        "        sensitivity: 0.5\n        sensitivity_ci: [0.4, 0.6]\n",
        "",
        "maneuvers.shift_test.published[0]: gives no figure; give sensitivity, specificity or both",
    ),
    "published in percent": (
        "        sensitivity: 0.5\n",
        "        sensitivity: 50\n",
        "maneuvers.shift_test.published[0].sensitivity: 50 is out of range; write a number from 0 to 1",
    ),
    "published interval alone": (
        "        sensitivity: 0.5\n",
        "        specificity: 0.5\n",
        "maneuvers.shift_test.published[0].sensitivity_ci: stands without 'sensitivity'; add 'sensitivity'",
    ),
    "published half an interval": (
        "[0.4, 0.6]",
        "[0.4]",
        "maneuvers.shift_test.published[0].sensitivity_ci: does not hold its estimate; write [lower, upper]",
    ),
    "synonym in capitals": (
        "synonyms: [dorsal shift]",
        "synonyms: [Dorsal shift]",
        "maneuvers.shift_test.synonyms[0]: 'Dorsal shift' has the wrong form; use text that",
    ),
    "synonym that is another code": (
        "synonyms: [dorsal shift]",
        "synonyms: [grip]",
        "maneuvers.shift_test.synonyms[0]: 'grip' already stands for grip; keep it in one place",
    ),
    "synonym shared in the history": (
        "synonyms: [snap]",
        "synonyms: [click]",
        "history.pop.synonyms[0]: 'click' already stands for click; keep it in one place",
    ),
    "code twice": ("  grip:", "  shift_test:", "maneuvers.shift_test: the key 'shift_test' stands twice; keep one"),
    "empty red flags": ("quick_rule_out: [Think of a fracture first.]", "quick_rule_out:", "is empty, not a list"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_file_is_refused_with_file_path_and_mend(tmp_path: Path, case: str) -> None:
    old, new, message = WRONG[case]
    assert old in WRIST
    with pytest.raises(ContractError) as caught:
        _load_wrist(tmp_path, WRIST.replace(old, new, 1))
    told = str(caught.value)
    assert re.match(r"wrist\.yaml, line \d+", told)
    assert message in told
    assert "\n" not in told
