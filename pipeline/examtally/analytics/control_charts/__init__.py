"""Charts of quality over time and between places, with what they promise."""
