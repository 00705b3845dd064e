"""Axes: round ticks on whole rows, and all that was measured between their ends."""

import pytest

from tui.widgets.axis_ticks import axis_for, round_step


@pytest.mark.parametrize(
    ("least", "step"), [(0.9, 1.0), (1.0, 1.0), (1.1, 2.0), (2.1, 2.5), (2.6, 5.0), (7.0, 10.0), (0.03, 0.05)]
)
def test_steps_are_round(least, step):
    assert round_step(least) == pytest.approx(step)


@pytest.mark.parametrize("rows", [3, 4, 5, 6, 8, 13, 21, 40])
@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 62.4), (33.98, 39.6), (-12.0, 48.0), (38.2, 38.2), (-5.0, -1.0), (0.0, 1e12)]
)
def test_all_that_was_measured_lies_within(low, high, rows):
    axis = axis_for(low, high, rows=rows, least_span=1.0, from_zero=False)
    assert axis.low <= low
    assert axis.high >= high - 1e-9 * abs(high)
    labelled = [row for row, _ in axis.labels()]
    assert all(0 <= row < rows for row in labelled)
    assert all(upper - lower >= 2 for lower, upper in zip(labelled[1:], labelled, strict=False))


def test_zero_belongs_to_an_axis_from_zero_and_is_labelled():
    for low, high in ((20.0, 31.0), (-7.0, 31.0)):
        assert "0" in [
            text for _, text in axis_for(low, high, rows=11, least_span=2.0, from_zero=True).labels()
        ]


def test_labels_show_the_decimals_of_their_step():
    texts = [text for _, text in axis_for(36.0, 37.0, rows=5, least_span=1.0, from_zero=False).labels()]
    assert texts == ["36.0", "36.5", "37.0"]


def test_a_label_never_outgrows_the_margin():
    axis = axis_for(0.0, 4e9, rows=9, least_span=1.0, from_zero=True)
    assert all(len(text) <= 6 for _, text in axis.labels())
