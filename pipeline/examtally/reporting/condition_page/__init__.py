"""The page of one condition, told as a story."""
