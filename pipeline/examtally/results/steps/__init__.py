"""Steps of an analysis: each a function from the work to a declared table, or to what several tables share."""
