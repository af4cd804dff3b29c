"""Several maneuvers together: any-of and all-of, dependence, patterns of findings."""
