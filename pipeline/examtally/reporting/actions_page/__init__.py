"""Conclusions and actions: what to keep, reteach, standardize and measure again, and what came of earlier decisions."""
