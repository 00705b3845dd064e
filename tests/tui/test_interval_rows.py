"""Figures with their intervals as characters: on one scale, within the width, and never wrong in words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tui.widgets.interval_rows import DOT, Interval, interval_lines

ROWS = [
    Interval("ohmic", 20.0, 1.0, "20.0 ± 2.0 mΩ"),
    Interval("1 s after a step", 30.0, 2.0, "30.0 ± 4.0 mΩ"),
    Interval("10 s after a step", None, None, "cannot tell"),
]


def test_dots_lie_in_proportion_and_lines_reach_two_u():
    lines = interval_lines(ROWS, 142, unit="mΩ", from_zero=True)
    start = lines[0].index("mΩ") + 4
    dots = [line.index(DOT) - start for line in lines[:2]]
    assert dots[0] / dots[1] == pytest.approx(20 / 30, abs=0.01)
    one = dots[0] / 20
    assert lines[0].index("├") - start == pytest.approx(18 * one, abs=1)
    assert lines[0].index("┤") - start == pytest.approx(22 * one, abs=1)
    assert DOT not in lines[2]
    assert lines[-1].strip().endswith("mΩ")


def test_a_zero_that_is_not_asked_for_is_not_drawn():
    numbers = interval_lines(ROWS, 120, unit="mΩ")[-1].split()
    assert float(numbers[0]) > 10


def test_without_room_the_words_stay():
    lines = interval_lines(ROWS, 40)
    assert len(lines) == 3
    assert lines[0] == "ohmic              20.0 ± 2.0 mΩ"


numbers = st.floats(-1e6, 1e6) | st.none()


@given(
    st.lists(st.tuples(st.text("abc ", max_size=12), numbers, st.floats(0, 1e6) | st.none()), max_size=8),
    st.integers(0, 200),
    st.booleans(),
)
def test_any_figures_in_any_width(told, width, from_zero):
    rows = [Interval(name, value, u, "" if value is None else f"{value:.3g}") for name, value, u in told]
    lines = interval_lines(rows, width, unit="A", from_zero=from_zero)
    words = max((len(row.name) + 2 + max(len(other.words) for other in rows) for row in rows), default=0)
    assert all(len(line) <= max(width, max(len(row.name) for row in rows) + words) for line in lines)
    for row, line in zip(rows, lines, strict=False):
        assert row.words in line
    drawn = [line for line in lines if DOT in line]
    assert len(drawn) in {0, sum(value is not None for _, value, _ in told)}
