"""Synthetic clinics whose truth is known."""

from examtally.synthesis.scenario_file import clinic_of
from examtally.synthesis.synthesize import SynthesisReport, synthesize

__all__ = ["SynthesisReport", "clinic_of", "synthesize"]
