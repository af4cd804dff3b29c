"""Checks of staged lines: row rules, keys, batch-wide rules, the second engine."""
