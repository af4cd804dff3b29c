"""A folder of reports as one small site that opens from disk: its index and the catalogue of maneuvers."""
