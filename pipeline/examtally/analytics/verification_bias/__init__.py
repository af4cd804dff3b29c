"""Accuracy where not every knee was verified: corrections, their models, and bounds that assume nothing."""
