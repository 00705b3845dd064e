"""Rows on the wire become calibrated columns."""

import struct
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from logger_streams import channel, logger_with

from capture.blocks import Quality
from capture.decoding import BlockDecoder
from capture.errors import LoggerRefused
from firmware_protocol.messages import Samples
from firmware_protocol.wire import MISSING_CODE, WireType

RANGES = {
    WireType.I16: (-(2**15), 2**15 - 1),
    WireType.U16: (0, 2**16 - 1),
    WireType.I24: (-(2**23), 2**23 - 1),
    WireType.I32: (-(2**31), 2**31 - 1),
    WireType.U32: (0, 2**32 - 1),
}
SIZES = {WireType.I16: 2, WireType.U16: 2, WireType.I24: 3, WireType.I32: 4, WireType.U32: 4}


def raw(count, wire_type):
    return count.to_bytes(
        SIZES[wire_type], "little", signed=wire_type in {WireType.I16, WireType.I24, WireType.I32}
    )


def decode_column(wire_type, counts, **changes):
    decoder = BlockDecoder([channel(wire_type=wire_type, **changes)], 1_000_000, "here")
    rows = b"".join(raw(count, wire_type) for count in counts)
    return decoder.decode(0, 0, [(Samples(7, 0, 0, len(counts), rows), 0)])


@pytest.mark.parametrize("wire_type", list(RANGES))
@given(data=st.data())
def test_every_integer_type(wire_type, data):
    """A reading is count * scale + offset, rounded once; the missing code is NaN."""
    low, high = RANGES[wire_type]
    counts = data.draw(st.lists(st.integers(low, high), min_size=1, max_size=40))
    block = decode_column(wire_type, counts, scale="0.0025", offset=Decimal("-3.5"))
    column = block.columns["current_a"]
    for count, reading in zip(counts, column, strict=True):
        if count == MISSING_CODE[wire_type]:
            assert np.isnan(reading)
        else:
            assert reading == column.dtype.type(count * 0.0025 - 3.5)


def test_counts_beyond_24_bits_stay_exact():
    """16777217 is not a float32 (IEEE 754-2019): 32-bit channels are float64, 24-bit ones float32."""
    wide = decode_column(WireType.I32, [16777217], scale="1").columns["current_a"]
    narrow = decode_column(WireType.I24, [8388607], scale="1").columns["current_a"]
    assert (wide.dtype, wide[0]) == (np.float64, 16777217)
    assert (narrow.dtype, narrow[0]) == (np.float32, 8388607)


def test_float_readings_that_are_no_numbers_are_missing():
    """NaN and infinity from the wire become missing, never a value."""
    decoder = BlockDecoder([channel(wire_type=WireType.F32, scale="1")], 1_000_000, "here")
    rows = struct.pack("<4f", 25.4, float("nan"), float("inf"), -float("inf"))
    column = decoder.decode(0, 0, [(Samples(7, 0, 0, 4, rows), 0)]).columns["current_a"]
    assert column[0] == np.float32(25.4)
    assert np.isnan(column[1:]).all()


def test_readings_at_an_end_of_the_range_are_clipped():
    """The quality bit is set where a channel stands at either end, and only there."""
    block = decode_column(
        WireType.I16, [-1000, -999, 0, 999, 1000, 1001], range_low=Decimal(-10), range_high=Decimal(10)
    )
    assert (block.quality & Quality.CLIPPED != 0).tolist() == [True, False, False, False, True, True]


@given(data=st.data())
def test_divisors(data):
    """A channel lies in just the rows that its divisor divides; elsewhere its column is NaN."""
    columns = data.draw(
        st.lists(st.tuples(st.sampled_from(list(RANGES)), st.integers(1, 13)), min_size=1, max_size=5)
    )
    first = data.draw(st.integers(0, 10**6))
    count = data.draw(st.integers(1, 60))
    channels = [
        channel(number, f"group_{number}", "V", wire_type, "1", divisor=divisor)
        for number, (wire_type, divisor) in enumerate(columns)
    ]
    expected = {f"group_{number}_v": [] for number in range(len(columns))}
    rows = b""
    for index in range(first, first + count):
        for number, (wire_type, divisor) in enumerate(columns):
            value = (index * 7 + number) % 30000
            present = index % divisor == 0
            expected[f"group_{number}_v"].append(float(value) if present else np.nan)
            rows += raw(value, wire_type) if present else b""
    decoder = BlockDecoder(channels, 1_000_000, "here")
    frame = Samples(7, first, 0, count, rows)
    assert decoder.fits(frame, first)
    assert not decoder.fits(Samples(7, first, 0, count, rows + b"x"), first)
    block = decoder.decode(0, first, [(frame, 0)])
    for name, values in expected.items():
        np.testing.assert_array_equal(block.columns[name], np.array(values))


def test_ticks_inside_a_frame_follow_the_interval():
    """A third of a millisecond does not drift: ticks are rounded from the frame's first, not added up."""
    decoder = BlockDecoder([channel()], 333_333, "here")
    frames = [(Samples(7, 0, 0, 4, b"\1\0" * 4), 1000), (Samples(7, 4, 0, 2, b"\1\0" * 2), 5000)]
    assert decoder.decode(0, 0, frames).ticks_us.tolist() == [1000, 1333, 1667, 2000, 5000, 5333]


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        ([channel(unit="furlong")], "unit 'furlong'"),
        ([channel(), channel(1)], "same quantity and unit"),
    ],
)
def test_descriptions_that_cannot_be_columns_are_refused(channels, words):
    """An unlisted unit and two channels of one name are told in one line with what to do."""
    with pytest.raises(LoggerRefused, match=words):
        BlockDecoder(channels, 1_000_000, "serial:/dev/ttyX")


def test_a_logger_of_one_channel_needs_no_current():
    """What a logger measures is its own affair: any listed quantity makes a column."""
    logger = logger_with([channel(quantity="pack_temperature", unit="Cel")])
    assert list(BlockDecoder(logger.channels, 1_000_000, "here").columns) == ["pack_temperature_degc"]
