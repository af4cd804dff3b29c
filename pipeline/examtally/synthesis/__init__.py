"""Synthetic clinics whose truth is known."""

from examtally.synthesis.synthesize import SynthesisReport, synthesize

__all__ = ["SynthesisReport", "synthesize"]
