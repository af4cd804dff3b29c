"""Spark as the engine past one machine: the SQL of the cohort, its tallies and frames, over a table set."""
