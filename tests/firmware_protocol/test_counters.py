"""Counters that wrap (SPEC 5.3), against RFC 1982."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.counters import unwrap

# RFC 1982 section 5.2, SERIAL_BITS 8. The additions are quoted in secondary texts. The list of comparisons
# is from memory; the truth of each was recomputed from the definition in section 3.2.
LATER_AND_EARLIER = [
    *((1, 0), (44, 0), (100, 0), (100, 44), (200, 100)),
    *((255, 200), (0, 255), (100, 255), (0, 200), (44, 200)),
]


@pytest.mark.parametrize(("start", "added", "expected"), [(255, 1, 0), (100, 100, 200), (200, 100, 44)])
def test_additions_of_rfc_1982(start, added, expected):
    """A counter that went on by n reads (s + n) mod 256 and unwraps to s + n (RFC 1982 section 5.2)."""
    assert (start + added) % 256 == expected
    assert unwrap(expected, near=start, bits=8) == start + added


@pytest.mark.parametrize(("later", "earlier"), LATER_AND_EARLIER)
def test_comparisons_of_rfc_1982(later, earlier):
    """What RFC 1982 section 5.2 calls greater lies later, and the other way round."""
    assert unwrap(later, near=earlier, bits=8) > earlier
    assert unwrap(earlier, near=later, bits=8) < later


@pytest.mark.parametrize(("one", "other"), [(0, 128), (44, 172), (128, 0), (172, 44)])
def test_half_a_wrap_apart_counts_as_later(one, other):
    """RFC 1982 section 3.2 leaves exactly half a wrap undefined; here the other is then the later one."""
    assert unwrap(other, near=one, bits=8) == one + 128


def test_largest_addend():
    """The largest step that RFC 1982 section 5.1 allows with 8 bits, 127, unwraps forward from each value."""
    for start in range(256):
        assert unwrap((start + 127) % 256, near=start, bits=8) == start + 127


def test_32_bits_as_quoted():
    """10000 is after 4000000000 and 3000000000 before it (32 bits, as quoted from the RTMP text)."""
    assert unwrap(10_000, near=4_000_000_000) == 2**32 + 10_000
    assert unwrap(3_000_000_000, near=4_000_000_000) == 3_000_000_000


def test_microsecond_clock_of_a_long_run():
    """90 minutes of ticks a second apart unwrap to the whole clock (a 32-bit one wraps after 71.58 min)."""
    near = 0
    for second in range(90 * 60 + 1):
        near = unwrap(second * 1_000_000 % 2**32, near)
        assert near == second * 1_000_000


@given(st.integers(1, 48), st.data())
def test_the_whole_number_comes_back(bits, data):
    """unwrap(x mod 2**b, near) == x wherever x lies less than half a wrap from near."""
    near = data.draw(st.integers(-(2**50), 2**50))
    half = 2 ** (bits - 1)
    whole = near + data.draw(st.integers(-half + 1, half - 1))
    assert unwrap(whole % 2**bits, near, bits) == whole


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**60))
def test_the_answer_is_near_and_congruent(counted, near):
    """The answer equals the counter modulo 2**32 and lies within half a wrap of where it was expected."""
    whole = unwrap(counted, near)
    assert whole % 2**32 == counted
    assert -(2**31) < whole - near <= 2**31
