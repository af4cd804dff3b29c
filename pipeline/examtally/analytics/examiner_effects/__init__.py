"""Pooling of examiners: what each figure tells once chance is taken out, and how far examiners differ."""
