"""The protocol of a study: its keys, parts and rules."""
