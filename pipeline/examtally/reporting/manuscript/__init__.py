"""The manuscript of a study: every paragraph, table and figure made from its results folder."""
