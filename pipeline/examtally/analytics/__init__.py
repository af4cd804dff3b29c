"""Tallies and narrow frames in, estimates with their intervals out. One module a method; no input, no output."""
