"""The overview of a run: every extreme is in the bin of its moment, whatever the run's length."""

import numpy as np
from fold_blocks import block_of, pieces_of
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.overview import BINS, FIRST_BIN_US, OverviewBuilder


def overview_of(blocks, columns=("current_a",)):
    builder = OverviewBuilder(columns)
    for block in blocks:
        builder.feed(block)
    return builder.overview()


@settings(max_examples=30, deadline=None)
@given(
    count=st.integers(1, 5000),
    interval_us=st.sampled_from([1_000, 20_000, 333_333, 10_000_000]),
    seed=st.integers(0, 2**16),
)
def test_each_bin_has_the_extremes_of_its_samples(count, interval_us, seed):
    """Against plain loops, for any chunks: NaN where nothing was read, else the least and the greatest."""
    random = np.random.default_rng(seed)
    current = np.where(random.random(count) < 0.1, np.nan, random.normal(20, 10, count)).astype(np.float32)
    block = block_of(current, first_index=77, interval_us=interval_us)
    told = overview_of(pieces_of(block, random))
    bin_us = round(told.bin_s * 1e6)
    assert bin_us == FIRST_BIN_US or count * interval_us / bin_us > BINS / 2 - 1
    at = (block.ticks_us - block.ticks_us[0]) // bin_us
    assert len(told.lowest["current_a"]) == at[-1] + 1 <= BINS
    for number in range(at[-1] + 1):
        inside = current[(at == number) & ~np.isnan(current)]
        low, high = told.lowest["current_a"][number], told.highest["current_a"][number]
        if len(inside):
            assert (low, high) == (inside.min(), inside.max())
        else:
            assert np.isnan(low)
            assert np.isnan(high)


def test_a_peak_of_one_sample_in_hours_is_kept():
    current = np.full(100_000, 0.3)
    current[76_543] = 74.0
    told = overview_of([block_of(current, interval_us=200_000)])
    assert told.highest["current_a"].max() == 74.0
    assert np.nanargmax(told.highest["current_a"]) == int(76_543 * 0.2 / told.bin_s)


def test_columns_that_are_not_there_are_empty_and_nothing_has_no_bins():
    told = overview_of([block_of([1.0, 2.0])], ("current_a", "speed_rpm"))
    assert np.isnan(told.lowest["speed_rpm"]).all()
    assert len(overview_of([]).lowest["current_a"]) == 0
