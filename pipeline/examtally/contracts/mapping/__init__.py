"""Mapping files: how a clinic's own export becomes records."""
