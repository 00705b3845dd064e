"""Byte stuffing against published vectors and an independent implementation (SPEC 2.2)."""

from __future__ import annotations

import json
from importlib.resources import files

import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from firmware_protocol.framing import cobs_decode, cobs_encode

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "cobs.json").read_text(encoding="utf-8"))


def cases(kind):
    """Return the vectors of one kind as parameters with their names."""
    return [pytest.param(vector, id=vector["name"]) for vector in VECTORS[kind]]


@pytest.mark.parametrize("vector", cases("encodings"))
def test_encodes_published_vector(vector):
    """Each content is stuffed as its source says (source in the vector)."""
    assert cobs_encode(bytes.fromhex(vector["content"])).hex() == vector["encoded"]


@pytest.mark.parametrize("vector", cases("encodings") + cases("decodings"))
def test_decodes_published_vector(vector):
    """Each stuffed content comes back, also with the closing 01 of the paper's phantom zero."""
    assert cobs_decode(bytes.fromhex(vector["encoded"])) == bytes.fromhex(vector["content"])


@pytest.mark.parametrize("vector", cases("rejects"))
def test_rejects_published_vector(vector):
    """What is not COBS is refused without an exception (source in the vector)."""
    assert cobs_decode(bytes.fromhex(vector["encoded"])) is None


def test_every_vector_names_its_source():
    """No vector comes from nowhere."""
    everything = [vector for kind in ("encodings", "decodings", "rejects") for vector in VECTORS[kind]]
    assert len(everything) > 25
    assert all(vector["source"] for vector in everything)


RUNS = st.lists(
    st.one_of(
        st.binary(max_size=12),
        st.sampled_from([253, 254, 255, 508]).map(lambda length: b"\x5a" * length),
        st.sampled_from([1, 2, 255]).map(bytes),
    ),
    max_size=6,
).map(b"".join)


@given(RUNS)
@example(b"\x01" * 254 + b"\0")
@example(b"\x01" * 508 + b"\0")
def test_encodes_like_an_independent_implementation(content):
    """Any content is stuffed as by the Python package cobs 1.2.2, and comes back."""
    encoded = cobs_encode(content)
    assert encoded == cobs.encode(content)
    assert cobs_decode(encoded) == content


@given(st.binary(max_size=40) | RUNS)
def test_decodes_like_an_independent_implementation(encoded):
    """Any bytes decode as with the Python package cobs 1.2.2, or are refused where it raises."""
    try:
        expected = cobs.decode(encoded) if encoded else None  # the package takes nothing for nothing
    except cobs.DecodeError:
        expected = None
    assert cobs_decode(encoded) == expected


@given(RUNS)
def test_stuffed_content_is_short_and_has_no_zero(content):
    """Stuffing leaves no zero and adds at most one byte in 254, plus one (Cheshire and Baker 1999)."""
    encoded = cobs_encode(content)
    assert 0 not in encoded
    assert len(content) < len(encoded) <= len(content) + 1 + len(content) // 254
