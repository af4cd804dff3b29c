"""The audit: the group's own accuracy, agreement, calibration and learning."""
