"""Accuracy where the reference standard errs: closed forms, latent classes, local error of the reference."""
