"""Figures from the declared tables alone, on matplotlib axes: for a notebook, and as the look of every report."""

from examtally.plots.plots import Plots

__all__ = ["Plots"]
