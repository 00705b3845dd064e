"""Folds: quantities that know only the past. Each is `state = update(state, block)`, pure.

Live and stored figures are equal to the bit because blocks are cut to one grid first (`grid.py`) and the last
sample is carried over each seam.
"""
