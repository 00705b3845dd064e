"""Verification: how right the figures are, measured on fresh random runs of the project's own model."""
