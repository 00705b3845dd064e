"""Uncertainty: how well each channel is known, and what that makes of the figures (GUM, JCGM 100:2008)."""
