"""How channels lie in rows (SPEC 4.9)."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.layout import RowLayout
from firmware_protocol.wire import WireType

divisors = st.integers(1, 20) | st.integers(1, 2**16 - 1)
layouts = st.lists(st.tuples(divisors, st.sampled_from(WireType)), min_size=1, max_size=32).map(
    lambda columns: RowLayout(tuple(columns))
)


def test_example_of_the_specification():
    """Two I16 channels of divisors 1 and 3: the rows 5, 6 and 7 have 2, 4 and 2 bytes."""
    layout = RowLayout(((1, WireType.I16), (3, WireType.I16)))
    assert [layout.row_bytes(index) for index in (5, 6, 7)] == [2, 4, 2]
    assert layout.rows_bytes(5, 3) == 8


def test_bytes_of_each_wire_type():
    """A row of one channel of each wire type has 2 + 2 + 3 + 4 + 4 + 4 bytes."""
    layout = RowLayout(tuple((1, wire_type) for wire_type in WireType))
    assert layout.longest_row == layout.row_bytes(1) == 19


def test_layout_of_channels(bench):
    """The layout of described channels has their divisors and wire types, in their order."""
    assert RowLayout.of(bench.channels).columns == (
        (1, WireType.I16),
        (1, WireType.U16),
        (7, WireType.I24),
    )


@given(layouts, st.integers(0, 2**33), st.integers(0, 255))
def test_rows_add_up(layout, first_index, count):
    """The bytes of several rows are the sum of the bytes of each."""
    each = [layout.row_bytes(index) for index in range(first_index, first_index + count)]
    assert layout.rows_bytes(first_index, count) == sum(each)


@given(layouts, st.integers(0, 2**33))
def test_no_row_is_longer_than_the_longest(layout, index):
    """A row is never longer than one with every channel; row 0 has them all."""
    assert layout.row_bytes(index) <= layout.longest_row
    assert layout.row_bytes(0) == layout.longest_row
