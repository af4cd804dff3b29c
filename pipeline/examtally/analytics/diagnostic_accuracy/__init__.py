"""Sensitivity, specificity, ratios and predictive values of verified knees, clustered by participant."""
