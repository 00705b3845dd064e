"""Numbers, times and names as people read them."""

import pytest

from capture.quantities import Figure
from tui.formatting import (
    disk_left,
    duration,
    figure,
    large,
    number,
    plain,
    plus_minus,
    quantity_words,
    rate,
    with_unit,
)

NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (36.418, "V", "36.42 V"),
        (31.52, "A", "31.5 A"),
        (1147.4, "W", "1147 W"),
        (12.344, "Wh", "12.34 Wh"),
        (0.9124, "Ah", "0.912 Ah"),
        (-0.04, "A", "0.0 A"),
        (-0.06, "A", "-0.1 A"),
        (None, "V", "— V"),
        (NAN, "V", "— V"),
        (-INF, "V", "— V"),
        (2.5e9, "V", "2.5e+09 V"),
        (7.0, "N·m", "7.00 N·m"),
    ],
)
def test_numbers_keep_the_decimals_of_their_unit(value, unit, text):
    assert with_unit(value, unit) == text


def test_a_figure_that_cannot_be_told_is_a_dash():
    assert figure(None, "Ah") == "— Ah"
    assert figure(Figure(1.2345, 0.1, "Ah"), "Ah") == "1.234 Ah"
    assert number(-0.0, 2) == "0.00"


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (36.42, 2, "36.42"),
        (123.456, 2, "123.5"),
        (99.999, 2, "100.0"),
        (-12.34, 2, "-12.3"),
        (1147.4, 0, "1147"),
        (99999.0, 0, "1E5"),
        (-1147.0, 0, "-1E3"),
        (1.2e9, 2, "1E9"),
        (None, 2, "—"),
        (NAN, 2, "—"),
    ],
)
def test_large_digits_give_up_decimals_and_never_leading_digits(value, decimals, text):
    assert large(value, decimals) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0:00"),
        (59.99, "0:59"),
        (187.0, "3:07"),
        (3765.0, "1:02:45"),
        (-3.0, "0:00"),
        (None, "—"),
        (NAN, "—"),
    ],
)
def test_lengths_of_time_are_cut_like_a_stop_watch(seconds, text):
    assert duration(seconds) == text


def test_rates_and_disks():
    assert [rate(1000.2), rate(9.96), rate(0.0)] == ["1000 Hz", "10.0 Hz", "0.0 Hz"]
    assert [disk_left(m) for m in (-1.0, 0.9, 119.9, 125.0, 6001.0, INF)] == [
        "0 min", "0 min", "119 min", "2 h", "over 100 h", "—",
    ]  # fmt: skip


def test_names_cannot_steer_the_terminal():
    assert plain("[red]x[/]\x1b]0;t\x07\r\n\u202e\u200b\x9b") == r"[red]x[/]\x1b]0;t\x07\r\n\u202e\u200b\x9b"
    assert plain("Säge 鋸") == "Säge 鋸"
    assert quantity_words("pack_temperature") == "pack temperature"


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (12.52597, 0.14414, "12.53 ± 0.29"),
        (2717.13, 30.638, "2717 ± 61"),
        (0.32321, 0.0032707, "0.3232 ± 0.0065"),
        (26.8, 1.0005, "26.8 ± 2.0"),
        (1000.0, 0.0498, "1000.00 ± 0.10"),  # 0.0996: rounding up takes a digit away
        (1000.0, 0.04974, "1000.000 ± 0.099"),
        (5.0, 499.0, "5 ± 998"),
        (-0.0001, 0.02, "0.000 ± 0.040"),  # no sign that means nothing
        (5.04, None, "5.0"),
        (5.04, 0.0, "5.0"),
        (5.04, NAN, "5.0"),
        (NAN, 0.1, "—"),
    ],
)
def test_a_value_is_rounded_to_two_digits_of_its_uncertainty(value, u, shown):
    """GUM 7.2.6: at most two digits of an uncertainty, and the value to the same decimals; k = 2."""
    assert plus_minus(value, u, 1) == shown
