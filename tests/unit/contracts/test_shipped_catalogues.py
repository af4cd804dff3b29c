"""What every catalogue that comes with the package must hold, whatever its joint; and its synthetic clinic."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from examtally.contracts.catalogue.catalogue import Catalogue, joints, load_catalogue
from examtally.synthesis.scenario_file import load_scenario

_FEWEST = {"shoulder": 12, "ankle": 8}


@pytest.fixture(scope="module", params=joints())
def catalogue(request: pytest.FixtureRequest) -> Catalogue:
    return load_catalogue(request.param)


def test_a_whole_exam_can_be_written_down(catalogue: Catalogue) -> None:
    maneuvers = catalogue.maneuvers.values()
    assert len(maneuvers) >= _FEWEST.get(catalogue.joint, 1)
    assert list(dict.fromkeys(one.phase for one in maneuvers)) == ["look", "feel", "move", "special"]
    assert {one.purpose for one in maneuvers} == {"diagnostic", "contributor", "safety"}
    assert any(one.core for one in maneuvers)
    assert any(condition.core for condition in catalogue.conditions.values())
    spoken_of = {condition for one in maneuvers for condition in one.conditions}
    assert spoken_of >= {code for code, one in catalogue.conditions.items() if one.core}


def test_no_maneuver_is_silent_about_what_is_published(catalogue: Catalogue) -> None:
    for maneuver in catalogue.maneuvers.values():
        assert maneuver.published or maneuver.no_published_figure, maneuver.code
        assert all(row.cited and row.setting for row in maneuver.published)
    if any(condition.unpublished for condition in catalogue.conditions.values()):
        assert catalogue.generic_reference_accuracy is not None


def test_what_can_hurt_says_so(catalogue: Catalogue) -> None:
    for maneuver in catalogue.maneuvers.values():
        if maneuver.purpose == "safety":
            assert maneuver.cautions, maneuver.code
    ruled_out = " ".join(catalogue.quick_rule_out)
    for danger in ("fracture", "pulse", "emergency", "[Ff]ever", "tumor", "child"):
        assert re.search(danger, ruled_out), danger
    assert "ocal protocol" in catalogue.card_caution
    assert re.search(f"does not clear an? {catalogue.noun.one}", catalogue.card_caution)
    assert "Local protocol and licensed practice come first" in catalogue.sheet_caution


def test_the_words_are_american_and_plain(catalogue: Catalogue) -> None:
    for text in _prose(catalogue):
        assert not re.search(
            r"haem|oedema|tumour|fibre|centre\b|paed|manoeuv|\bfilms?\b|\bcouch\b|https?:|told apart|the person\b", text
        ), text
        assert not re.search(r"[a-z]_[a-z]", text), text


def test_its_clinic_does_the_core_maneuvers_and_draws_the_core_conditions(catalogue: Catalogue) -> None:
    """A maneuver that is new in a catalogue is not examined in the clinic until its truth is written down."""
    scenario = load_scenario(Path(catalogue.joint) if catalogue.joint != "knee" else None)
    assert scenario.joint == catalogue.joint
    assert set(scenario.maneuvers) <= set(catalogue.maneuvers)
    assert {code for code, one in catalogue.maneuvers.items() if one.core} <= set(scenario.maneuvers)
    assert len(scenario.maneuvers) > 0.9 * len(catalogue.maneuvers)
    assert {code for code, one in catalogue.conditions.items() if one.core} <= set(scenario.conditions)


def _prose(catalogue: Catalogue) -> Iterator[str]:
    yield from (*catalogue.quick_rule_out, catalogue.card_caution, catalogue.sheet_caution, catalogue.comparison_rule)
    for condition in catalogue.conditions.values():
        yield from (condition.name, condition.plain, condition.present_means)
    for maneuver in catalogue.maneuvers.values():
        yield from (maneuver.name, maneuver.positive, maneuver.technique, *maneuver.cautions)
