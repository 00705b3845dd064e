"""Cautions: what a careful tester would want to know of a run before believing its figures.

Each caution is a small pure function of `Facts` that yields lines of text, none where there is
nothing to say.
"""
