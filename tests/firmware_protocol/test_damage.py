"""What the checksum promises, tried bit by bit (SPEC 2.4)."""

from __future__ import annotations

import json
from importlib.resources import files
from random import Random

import pytest

from firmware_protocol.codec import decode
from firmware_protocol.errors import MalformedMessage
from firmware_protocol.framing import (
    Damage,
    FrameReader,
    FrameRejected,
    cobs_decode,
    cobs_encode,
    crc16,
    decode_frame,
    encode_frame,
)
from firmware_protocol.host_link import MessageReader
from firmware_protocol.messages import Samples

VECTORS = files("firmware_protocol") / "vectors"
FRAMES = json.loads((VECTORS / "frames.json").read_text(encoding="utf-8"))["valid"]
MESSAGES = json.loads((VECTORS / "messages.json").read_text(encoding="utf-8"))["messages"]
NEXT_PAYLOAD = bytes.fromhex("0405")
NEXT_FRAME = bytes.fromhex("050405816e00")  # of the worked example, SPEC 9.1

each_frame = pytest.mark.parametrize(
    "wire", [pytest.param(bytes.fromhex(frame["wire"]), id=frame["name"]) for frame in FRAMES]
)


def flipped(wire: bytes, pattern: int, position: int) -> bytes:
    """Return `wire` with the bits of `pattern` flipped, its lowest bit at `position` from the end."""
    return (int.from_bytes(wire, "big") ^ pattern << position).to_bytes(len(wire), "big")


def unseen(wire: bytes) -> list[bytes]:
    """Return what the frame's payload is taken for when zeros behind its checksum are lost (SPEC 2.4).

    That these are never another message is tried further down.
    """
    payload = cobs_decode(wire[:-1])[:-2]
    zeros = 2 if crc16(payload) == 0 else 1 if crc16(payload) & 0xFF == 0 else 0
    return [payload[:-lost] for lost in range(1, zeros + 1)]


@each_frame
def test_every_single_bit_flip_is_detected(wire):
    """Whichever bit of a frame flips, something is rejected and no other payload comes out, but for 2.4."""
    for position in range(8 * len(wire)):
        results = FrameReader().receive(flipped(wire, 1, position) + NEXT_FRAME)
        found = [each for each in results if not isinstance(each, FrameRejected)]
        if len(found) > 1:
            assert found[0] in unseen(wire)
            continue
        in_the_closing_zero = position < 8
        assert found == [NEXT_PAYLOAD] or (in_the_closing_zero and not found)
        assert len(results) > len(found) or wire[0] == 1  # a leading 01 that turns zero is a filler


@each_frame
def test_a_flipped_first_zero_is_detected(wire):
    """A frame whose first code byte turns into a filler zero does not pass as a shorter one."""
    results = FrameReader().receive(b"\0" + wire[1:])
    assert all(isinstance(each, FrameRejected) for each in results)
    assert results


def test_every_burst_of_16_bits_is_detected():
    """Each of the 32,768 bursts of exactly 16 bits that begin with a wrong one is caught by the checksum."""
    payload = bytes.fromhex("83040300e8030000")
    content = payload + crc16(payload).to_bytes(2, "big")
    places = 8 * len(content) - 15
    for number, pattern in enumerate(range(1 << 15, 1 << 16)):
        damaged = flipped(content, pattern, number % places)
        assert decode_frame(cobs_encode(damaged)) is Damage.CHECKSUM


def test_every_short_burst_is_detected_everywhere():
    """Each burst of up to 8 bits, at each place of a longest frame's content, is caught by the checksum."""
    payload = bytes(range(238))
    content = payload + crc16(payload).to_bytes(2, "big")
    for position in range(8 * len(content) - 7):
        pattern = 1 + position * 37 % 255
        assert decode_frame(cobs_encode(flipped(content, pattern, position))) is Damage.CHECKSUM


@each_frame
def test_bursts_on_the_wire_yield_no_other_payload(wire):
    """Random bursts of up to 16 bits on the wire itself, code bytes and all, yield no other payload."""
    random = Random(wire)  # noqa: S311  noise that can be had again
    for _ in range(300):
        burst = random.randrange(1, 1 << 16)
        damaged = flipped(wire, burst, random.randrange(8 * len(wire) - 15))
        results = FrameReader().receive(damaged + NEXT_FRAME)
        found = [each for each in results if not isinstance(each, FrameRejected)]
        assert found in ([NEXT_PAYLOAD], []) or found[0] in unseen(wire)


@pytest.mark.parametrize("behind", [b"", b"\0"], ids=["alone", "filler behind"])
@pytest.mark.parametrize("vector", MESSAGES, ids=lambda vector: vector["name"])
def test_no_single_bit_flip_makes_another_message(vector, behind):
    """Whichever bit flips, fillers or not: the same message, none, or samples whose rows do not fill them."""
    sent = decode(bytes.fromhex(vector["payload"]))
    wire = encode_frame(bytes.fromhex(vector["payload"])) + behind
    for position in range(8 * len(wire)):
        for found in MessageReader().receive(flipped(wire, 1, position) + b"\0"):
            if isinstance(sent, Samples) and isinstance(found, Samples):
                assert found == sent or len(found.rows) != len(sent.rows)
            else:
                assert found == sent or isinstance(found, FrameRejected)


@pytest.mark.parametrize("vector", MESSAGES, ids=lambda vector: vector["name"])
def test_zero_gained_behind_the_checksum_does_no_harm(vector):
    """The checksum does not see a zero behind it; the message read is the same, or its rows are too long."""
    payload = bytes.fromhex(vector["payload"])
    content = payload + crc16(payload).to_bytes(2, "big")
    if len(content) >= 240:
        assert decode_frame(cobs_encode(content + b"\0")) is Damage.TOO_LONG
        return
    longer = decode_frame(cobs_encode(content + b"\0"))
    assert longer == content[:-1]
    message, expected = decode(longer), decode(payload)
    if isinstance(expected, Samples):
        assert len(message.rows) == len(expected.rows) + 1
    else:
        assert message == expected


def test_zero_lost_behind_the_checksum_does_no_harm():
    """A frame that loses the zero low byte of its checksum passes one byte short, and is no message then."""
    tried = 0
    for index in range(2000):
        payload = bytes.fromhex("83040300") + index.to_bytes(4, "little")
        checksum = crc16(payload)
        if checksum & 0xFF == 0:
            shorter = decode_frame(encode_frame(payload)[:-2])
            assert shorter == payload[:-1]
            with pytest.raises(MalformedMessage):
                decode(shorter)
            tried += 1
    assert tried > 0
