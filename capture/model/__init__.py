"""The virtual logger's world: a battery pack under a cutting load, seen through a hobby logger's sensors.

The scenario is invented: an orchard pole saw on a 10-series platform, cutting seasoned ash limbs.
"""
