"""Mapping files at work: exports read, translated and previewed."""
