"""The checksum against the catalogue's check values (SPEC 2.1)."""

from __future__ import annotations

import binascii
import json
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.framing import crc16

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "crc.json").read_text(encoding="utf-8"))
DIGITS = b"123456789"
OURS = "CRC-16/IBM-3740"


@pytest.mark.parametrize("algorithm", VECTORS["algorithms"], ids=lambda algorithm: algorithm["name"])
def test_the_oracle_reproduces_the_catalogue(algorithm, bitwise_crc):
    """The bitwise checksum of these tests has the check value of each CRC (RevEng catalogue, as quoted)."""
    parameters = {key: int(algorithm[key], 16) for key in ("poly", "init", "xorout")}
    parameters["reflected"] = algorithm["reflected"]
    found = [f"{bitwise_crc(content, **parameters):04x}" for content in (DIGITS, b"", b"\0")]
    assert found == [algorithm["check"], algorithm["empty"], algorithm["zero"]]


def test_check_value():
    """Nine digits give 29B1 (CRC-16/IBM-3740, RevEng catalogue), no bytes FFFF, one zero E1F0."""
    assert crc16(DIGITS) == 0x29B1
    assert crc16(b"") == 0xFFFF
    assert crc16(b"\0") == 0xE1F0


def test_no_other_algorithm_passes_for_ours():
    """Ours differs from each CRC that may be taken for it, on the nine digits."""
    (ours,) = (each for each in VECTORS["algorithms"] if each["name"] == OURS)
    others = [each["check"] for each in VECTORS["algorithms"] if each["name"] != OURS]
    assert len(others) == 9
    assert ours["check"] == f"{crc16(DIGITS):04x}"
    assert ours["check"] not in others


@pytest.mark.parametrize("vector", VECTORS["contents"], ids=lambda vector: vector["name"])
def test_content_vectors(vector):
    """Each content has the checksum in the vector (source there)."""
    assert f"{crc16(bytes.fromhex(vector['content'])):04x}" == vector["crc"]


def test_residue_tells_the_byte_order():
    """Checksum behind the content: high byte first leaves 0000, low byte first 93F3."""
    assert crc16(DIGITS + bytes.fromhex("29b1")) == 0
    assert crc16(DIGITS + bytes.fromhex("b129")) == 0x93F3


@given(st.binary(max_size=300))
def test_like_two_independent_implementations(bitwise_crc, content):
    """Any content has the checksum of the bitwise oracle and of Python's binascii."""
    assert crc16(content) == bitwise_crc(content) == binascii.crc_hqx(content, 0xFFFF)


@given(st.binary(max_size=40))
def test_takes_every_kind_of_bytes(content):
    """bytes, bytearray and memoryview give the same checksum."""
    assert crc16(content) == crc16(bytearray(content)) == crc16(memoryview(content))
