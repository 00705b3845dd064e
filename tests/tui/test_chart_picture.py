"""The chart as characters: what is measured can be read off it."""

import numpy as np
import pytest

from tui.widgets.chart_picture import (
    CUT_SIGN,
    GAP_SIGN,
    MARK_SIGN,
    PROVISIONAL_SIGN,
    Part,
    TimeSpan,
    Trace,
    draw_chart,
)
from tui.widgets.envelope import DotStyle

BINS, BIN_S = 2400, 0.025
MARGIN = 9


def picture(
    current,
    voltage=None,
    *,
    width=120,
    height=20,
    span_s=60.0,
    marks_s=(),
    style=DotStyle.BRAILLE,
    first_mark=1,
    provisional_from_s=None,
    cuts=(),
):
    traces = [Trace(Part.CURRENT, "A", current, current, 2.0, from_zero=True)]
    if voltage is not None:
        traces.append(Trace(Part.VOLTAGE, "V", voltage, voltage, 1.0, from_zero=False))
    time = TimeSpan(
        60.0, BIN_S, span_s, marks_s, first_mark, provisional_from_s=provisional_from_s, cuts=cuts
    )
    return draw_chart(traces, time, width=width, height=height, style=style)


def flat(value):
    return np.full(BINS, value)


def rows_of(drawn, part):
    """Return the rows in which a trace is drawn, margin left out."""
    return np.flatnonzero((drawn.parts[:, MARGIN:] == part).any(axis=1)).tolist()


@pytest.mark.parametrize("style", DotStyle)
def test_a_peak_of_one_bin_among_all_is_drawn_to_its_height(style):
    current = flat(0.3)
    without = rows_of(picture(np.where(np.arange(BINS) == 0, 60.0, current), style=style), Part.CURRENT)
    current[1000] = 60.0
    drawn = picture(current, style=style)
    assert rows_of(drawn, Part.CURRENT) == without == list(range(18))
    column = MARGIN + int(1000 / BINS * 111)
    assert (drawn.parts[:17, column - 1 : column + 2] == Part.CURRENT).any(axis=1).all()


def test_a_gap_is_blank_in_the_trace_and_crossed_on_the_axis():
    current = flat(20.0)
    current[1200:1300] = np.nan
    drawn = picture(current)
    crossed = np.flatnonzero(drawn.parts[-2] == Part.GAP)
    assert 4 <= len(crossed) <= 6
    assert set(drawn.signs[-2, crossed]) == {GAP_SIGN}
    inside = drawn.parts[:-2, crossed[1:-1]]
    assert not (inside == Part.CURRENT).any()
    assert (drawn.parts[:-2, crossed[0] - 2] == Part.CURRENT).any()


def test_nothing_measured_draws_axes_and_no_trace():
    drawn = picture(flat(np.nan), flat(np.nan))
    assert rows_of(drawn, Part.CURRENT) == rows_of(drawn, Part.VOLTAGE) == []
    assert drawn.lines()[-1].endswith("now")
    assert not (drawn.parts == Part.GAP).any()


def test_two_panes_share_the_time_axis():
    drawn = picture(flat(20.0), flat(38.0))
    assert max(rows_of(drawn, Part.CURRENT)) < min(rows_of(drawn, Part.VOLTAGE))
    assert sum("└" in line for line in drawn.lines()) == 1


def test_labels_carry_the_unit_and_stand_where_their_value_is_drawn():
    drawn = picture(flat(0.0), flat(38.0))
    zero = next(row for row, line in enumerate(drawn.lines()) if line.startswith("  0.0 A ┤"))
    assert rows_of(drawn, Part.CURRENT) == [zero]
    assert any(line[:MARGIN].strip() == "38.0 V ┤" for line in drawn.lines())


def test_time_labels_end_at_now():
    assert picture(flat(1.0)).lines()[-1].split() == [
        "-60", "s", "-50", "s", "-40", "s", "-30", "s", "-20", "s", "-10", "s", "now",
    ]  # fmt: skip
    assert picture(flat(1.0), span_s=10.0, width=60).lines()[-1].split()[0] == "-10"


def test_a_mark_is_a_line_behind_the_trace_with_its_number_on_the_axis():
    drawn = picture(flat(0.3), flat(38.0), marks_s=(30.0, 45.0, 99.0, -5.0), first_mark=11)
    axis = drawn.lines()[-2]
    assert f"{MARK_SIGN}11" in axis
    assert f"{MARK_SIGN}12" in axis
    assert "13" not in axis
    column = axis.index(MARK_SIGN)
    assert drawn.signs[3, column] == "┃"
    assert (drawn.parts[:, column] == Part.CURRENT).any()
    assert (drawn.parts[:, column] == Part.VOLTAGE).any()


def test_a_mark_of_another_recording_has_no_number():
    axis = picture(flat(0.3), marks_s=(30.0,), first_mark=0).lines()[-2]
    assert MARK_SIGN in axis
    assert "0" not in axis


def test_a_cut_is_shaded_and_the_axis_under_it_is_heavy_with_its_number():
    """Without any colour the axis tells where the tool worked, and which cut it was."""
    drawn = picture(flat(20.0), cuts=((3, 20.0, 40.0), (4, 50.0, 50.4), (2, -30.0, -10.0), (5, 58.0, 61.0)))
    axis = drawn.lines()[-2]
    heavy = np.flatnonzero(drawn.parts[-2] == Part.CUT)
    shaded = np.flatnonzero(drawn.shaded[0])
    assert heavy.tolist() == shaded.tolist()
    assert f"{CUT_SIGN}[3]{CUT_SIGN}" in axis
    assert "[4]" not in axis, "no room for its number: the heavy line alone"
    assert CUT_SIGN in axis[MARGIN + int(50 / 60 * 111) :]
    assert "[2]" not in axis
    assert axis.endswith(("[5]" + CUT_SIGN, "[5]")), "it goes on behind the right end"
    assert not drawn.shaded[-2:].any()
    assert abs(shaded[0] - (MARGIN + 20 / 60 * 111)) <= 1


def test_missing_readings_in_a_cut_are_crossed_all_the_same():
    current = flat(20.0)
    current[1200:1300] = np.nan
    assert GAP_SIGN in picture(current, cuts=((1, 10.0, 50.0),)).lines()[-2]


def test_three_panes_find_room_in_eleven_rows():
    values = {Part.CURRENT: 20.0, Part.VOLTAGE: 38.0, Part.SPEED: 4000.0}
    traces = [
        Trace(part, "A", flat(value), flat(value), 1.0, from_zero=True) for part, value in values.items()
    ]
    for height, panes in ((8, 2), (10, 2), (11, 3), (20, 3), (5, 1)):
        drawn = draw_chart(traces, TimeSpan(60.0, BIN_S, 60.0), width=100, height=height)
        shown = [part for part in values if rows_of(drawn, part)]
        assert len(shown) == panes, height


def test_numbers_beyond_all_sense_are_drawn_at_the_edge():
    huge = flat(1e300)
    huge[5] = -1e300
    assert len(picture(huge, huge).lines()) == 20


@pytest.mark.parametrize("width", [0, 1, 18, 19, 40])
@pytest.mark.parametrize("height", [0, 1, 3, 4, 5, 6, 7, 11])
def test_any_size_is_filled_exactly(width, height):
    drawn = picture(flat(3.0), flat(38.0), width=width, height=height)
    assert drawn.signs.shape == drawn.parts.shape == (height, width)
    assert all("".join(text for text, *_ in drawn.runs(row)) == drawn.lines()[row] for row in range(height))


def test_what_is_provisional_has_a_dashed_axis():
    """From where samples are missing on, the time axis is dashed up to its end."""
    solid = picture(flat(5.0))
    dashed = picture(flat(5.0), provisional_from_s=50.0)
    axis, dashed_axis = solid.lines()[-2], dashed.lines()[-2]
    assert PROVISIONAL_SIGN not in axis
    start = dashed_axis.index(PROVISIONAL_SIGN)
    assert set(dashed_axis[start:]) <= {PROVISIONAL_SIGN, "┴"}
    assert 0 < start < len(dashed_axis)
