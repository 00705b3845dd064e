"""Large digits: each is itself in every size, and no number is wider than its field."""

import pytest

from tui.widgets.segment_digits import SIZES, digit_lines, size_for


@pytest.mark.parametrize("size", SIZES)
def test_every_sign_is_told_from_every_other(size):
    signs = "0123456789-E. "
    assert len({tuple(digit_lines(sign, size)) for sign in signs}) == len(signs)


@pytest.mark.parametrize("size", SIZES)
def test_lines_are_as_many_and_as_wide_as_promised(size):
    for text in ("36.42", "1147", "-3.2", "—", "1E9"):
        lines = digit_lines(text, size)
        assert len(lines) == size.rows
        assert {len(line) for line in lines} == {size.columns(text)}


def test_the_smallest_size_looks_like_this():
    assert digit_lines("36.4", SIZES[0]) == [
        "▀▀█ █▀▀   █ █",
        "▀▀█ █▀█   ▀▀█",
        "▀▀▀ ▀▀▀ ▀   ▀",
    ]


def test_digits_grow_with_the_room():
    chosen = [
        size_for(columns, rows) for columns, rows in ((1, 1), (17, 3), (27, 9), (47, 13), (80, 20), (80, 3))
    ]
    assert [SIZES.index(size) for size in chosen] == [0, 0, 1, 3, 4, 0]
