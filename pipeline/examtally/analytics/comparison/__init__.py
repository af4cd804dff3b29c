"""Two maneuvers on the same knees, one maneuver in two groups."""
