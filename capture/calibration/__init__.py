"""Calibration: what turns a sensor's reading into the quantity it stands for, and how well that is known."""
