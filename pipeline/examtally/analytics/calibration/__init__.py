"""Calibration of stated and fitted probabilities: curves, measures, bands."""
