"""Several groups together, from what each released: no rows are shared."""
