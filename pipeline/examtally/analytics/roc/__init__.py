"""Graded and measured maneuvers: thresholds, the area under the curve, and what each level means."""
