"""Each channel by itself: which readings the trapezoid joins, and what is left out."""

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, divided, fed


def channel(*blocks, column="force_n", **divisors):
    return fed(*blocks, divisors=divisors).channels[column]


def test_a_divided_channel_is_joined_over_its_own_readings():
    """Every 12th sample of a ramp: numpy's trapezoid over those readings, across the seams of the grid."""
    force = divided(np.linspace(0, 500, 5001) ** 1.5, 12)
    told = channel(block_of(force_n=force), force_n=12)
    readings = force.astype(np.float32).astype(float)[::12]
    assert told.integral == pytest.approx(np.trapezoid(readings, dx=0.012), rel=1e-12)
    assert told.covered_s == pytest.approx(0.012 * (len(readings) - 1))
    assert (told.readings, told.lowest, told.highest) == (len(readings), readings.min(), readings.max())
    assert told.mean == pytest.approx(told.integral / told.covered_s)


@pytest.mark.parametrize(("missing", "covered_s"), [(0, 0.99), (1, 0.99), (3, 0.99), (4, 0.94), (9, 0.89)])
def test_a_few_missing_readings_are_bridged(missing, covered_s):
    """Up to three in a row that were due are; what is silent for longer is not covered."""
    force = divided(np.full(1000, 5.0), 10)
    force[300 : 300 + missing * 10] = np.nan
    told = channel(block_of(force_n=force), force_n=10)
    assert told.covered_s == pytest.approx(covered_s)
    assert told.integral == pytest.approx(5.0 * covered_s)


def test_a_gap_is_never_bridged():
    """One lost sample between two readings of a slow channel is enough: nothing is known of it."""
    first = block_of(force_n=divided(np.full(25, 5.0), 10))
    second = after_gap(block_of(force_n=divided(np.full(24, 5.0), 10, 26), first_index=26))
    told = channel(first, second, force_n=10)
    assert told.covered_s == pytest.approx(0.020 + 0.010)  # readings 0, 10, 20 and 30, 40
    assert told.readings == 5


def test_a_restart_is_never_bridged():
    """The later segment's ticks go on, its channel does not."""
    first = block_of(force_n=np.full(11, 5.0))
    second = block_of(force_n=np.full(11, 5.0), first_index=11, segment=1)
    assert channel(first, second).covered_s == pytest.approx(0.020)


def test_the_mean_is_weighted_by_time():
    """Readings 0, 9, 9 at samples 0, 3 and 4: the areas 13.5 and 9 over 4 ms; the plain mean would be 6."""
    told = channel(block_of(force_n=[0.0, np.nan, np.nan, 9.0, 9.0]))
    assert told.mean == pytest.approx(22.5 / 4)


def test_a_single_reading_has_extremes_and_no_mean():
    """There is no time over which to weigh it."""
    told = channel(block_of(force_n=[np.nan, 7.0, np.nan]))
    assert (told.mean, told.lowest, told.highest, told.covered_s) == (None, 7.0, 7.0, 0.0)
