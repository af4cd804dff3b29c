"""Accuracy with imaging and the errors of the reference allowed for together; `model` says how to build on it."""
