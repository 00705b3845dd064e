"""Counters that wrap, made whole again (serial-number arithmetic, RFC 1982 section 3)."""

from __future__ import annotations


def unwrap(counted: int, near: int, bits: int = 32) -> int:
    """Return the whole number nearest to `near` that equals `counted` modulo 2**bits.

    The answer lies within half a wrap of `near`; exactly half a wrap away, which RFC 1982 leaves undefined,
    the later one is taken. It may be negative where `near` is close to zero.
    """
    wrap = 1 << bits
    half = wrap >> 1
    return near + ((counted - near + half - 1) % wrap) - (half - 1)
