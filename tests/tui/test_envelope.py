"""From bins to dots: nothing that was measured is skipped, nothing that was not is drawn."""

import numpy as np
import pytest

from tui.widgets.axis_ticks import Axis
from tui.widgets.envelope import DotStyle, cells, dot_mask, envelope

BINS, BIN_S = 2400, 0.025
NAN = float("nan")


def shown(values, *, columns=222, span_s=60.0, end_s=60.0):
    values = np.asarray(values, dtype=np.float64)
    return envelope(values, values, end_s=end_s, bin_s=BIN_S, span_s=span_s, columns=columns)


@pytest.mark.parametrize("columns", [20, 142, 222, 382, 2400, 3001])
def test_a_peak_of_one_bin_is_seen_in_whatever_column(columns):
    for at in (0, 1, 777, 1200, 2398, 2399):
        values = np.ones(BINS)
        values[at] = 62.4
        result = shown(values, columns=columns)
        assert np.nanmax(result.highest) == 62.4
        assert np.nanmin(result.lowest) == 1.0


def test_a_peak_stays_in_place_while_time_goes_on():
    """A column once complete never changes: it only moves to the left."""
    rng = np.random.default_rng(7)
    stream = rng.normal(size=BINS + 200)
    before = shown(stream[:BINS], columns=200, end_s=60.0)
    after = shown(stream[120 : BINS + 120], columns=200, end_s=63.0)
    assert np.array_equal(before.highest[11:-1], after.highest[1:-11])
    assert np.array_equal(before.lowest[11:-1], after.lowest[1:-11])


def test_a_gap_is_blank_and_known():
    values = np.ones(BINS)
    values[1000:1100] = NAN
    result = shown(values, columns=240)
    assert np.isnan(result.lowest[100:110]).all()
    assert np.flatnonzero(result.gap).tolist() == list(range(100, 110))


def test_a_gap_shorter_than_a_column_is_known_beside_the_reading():
    values = np.ones(BINS)
    values[1003] = NAN
    result = shown(values, columns=240)
    assert not np.isnan(result.lowest).any()
    assert np.flatnonzero(result.gap).tolist() == [100]


def test_before_the_first_reading_is_no_gap():
    values = np.ones(BINS)
    values[:2000] = NAN
    assert not shown(values).gap.any()


def test_a_channel_slower_than_the_bins_has_no_gaps_between_its_readings():
    values = np.full(BINS, NAN)
    values[::12] = 4.0
    result = shown(values, span_s=10.0, columns=300)
    assert not np.isnan(result.lowest).any()
    assert not result.gap.any()
    values[1992:2160] = NAN
    assert shown(values, span_s=10.0, columns=300).gap.any()


@pytest.mark.parametrize("values", [[], [NAN] * BINS, [float("inf")] * BINS])
def test_nothing_to_show_lights_no_dot(values):
    result = shown(values)
    assert np.isnan(result.lowest).all()
    assert not dot_mask(result, Axis(0.0, 1.0, 1, 5), DotStyle.BRAILLE).any()


def test_the_arrays_of_a_snapshot_are_left_as_they_are():
    values = np.full(BINS, NAN)
    values[::12] = 4.0
    before = values.copy()
    shown(values)
    assert np.array_equal(values, before, equal_nan=True)


def test_a_step_is_drawn_as_one_line():
    values = np.where(np.arange(BINS) < 1200, 0.0, 4.0)
    lit = dot_mask(shown(values, columns=200), Axis(0.0, 1.0, 1, 5), DotStyle.BLOCK)
    assert lit[:, 100].all() or lit[:, 99].all() or (lit[:, 99] | lit[:, 100]).all()


@pytest.mark.parametrize("style", DotStyle)
def test_a_flat_trace_is_one_unbroken_line(style):
    lit = dot_mask(shown(np.full(BINS, 2.0)), Axis(0.0, 1.0, 1, 5), style)
    assert (lit.sum(axis=0) == lit[:, 0].sum()).all()
    assert 1 <= lit[:, 0].sum() <= 2


def test_each_dot_has_its_place_in_a_character():
    one = np.zeros((4, 2), dtype=np.bool_)
    drawn = []
    for row in range(4):
        for column in range(2):
            one[:] = False
            one[row, column] = True
            drawn.append(cells(one, DotStyle.BRAILLE)[0, 0])
    assert "".join(drawn) == "⠁⠈⠂⠐⠄⠠⡀⢀"
    square = np.array([[True, False], [False, True]])
    assert cells(square, DotStyle.BLOCK)[0, 0] == "▚"
    assert cells(~square, DotStyle.BLOCK)[0, 0] == "▞"
