"""From records to the analysis set and its tallies."""
