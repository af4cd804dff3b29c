"""Checked lines into the registry: placed, counted, reported."""
