"""The protocol of an analysis: its keys, their legal values and defaults."""
