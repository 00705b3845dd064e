"""Frames in a stream that may be cut anywhere and damaged anywhere (SPEC 2)."""

from __future__ import annotations

import json
from importlib.resources import files

import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from firmware_protocol.errors import LocalProtocolError
from firmware_protocol.framing import (
    Damage,
    FrameReader,
    FrameRejected,
    decode_frame,
    encode_frame,
)
from firmware_protocol.host_link import MessageReader

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "frames.json").read_text(encoding="utf-8"))
STOP_PAYLOAD = bytes.fromhex("0405")
STOP_FRAME = bytes.fromhex("050405816e00")  # of the worked example, SPEC 9.1

payloads = st.binary(min_size=1, max_size=238)
garbage = st.one_of(
    st.binary(max_size=300), st.just(b"\xa5" * 700), st.binary(max_size=4).map(lambda b: b * 90)
)


def cases(kind):
    """Return the vectors of one kind as parameters with their names."""
    return [pytest.param(vector, id=vector["name"]) for vector in VECTORS[kind]]


def whole(reader, stream):
    """Return what comes of `stream` received at once."""
    return reader.receive(stream)


def byte_by_byte(reader, stream):
    """Return what comes of `stream` received one byte at a time."""
    return [result for byte in stream for result in reader.receive(bytes([byte]))]


ways = pytest.mark.parametrize("receive", [whole, byte_by_byte])


@pytest.mark.parametrize("vector", cases("valid"))
def test_encodes_vector(vector):
    """Each payload becomes the frame of the vector."""
    assert encode_frame(bytes.fromhex(vector["payload"])).hex() == vector["wire"]


@pytest.mark.parametrize("vector", cases("valid"))
def test_vector_agrees_with_independent_oracles(vector, bitwise_crc):
    """The vector itself is right: Python package cobs 1.2.2 and a bitwise CRC make the same frame."""
    payload = bytes.fromhex(vector["payload"])
    expected = cobs.encode(payload + bitwise_crc(payload).to_bytes(2, "big")) + b"\0"
    assert vector["wire"] == expected.hex()


@ways
@pytest.mark.parametrize("vector", cases("valid"))
def test_valid_vector(vector, receive):
    """A valid frame yields its payload, whole or byte by byte, and leaves nothing behind."""
    reader = FrameReader()
    assert receive(reader, bytes.fromhex(vector["wire"])) == [bytes.fromhex(vector["payload"])]
    assert reader.pending == b""


@ways
@pytest.mark.parametrize("behind", [b"\0", b"\0\0\0", b"\x05\x04", STOP_FRAME, STOP_FRAME + b"\xff" * 241])
@pytest.mark.parametrize("vector", cases("valid"))
def test_valid_vector_with_trailing_bytes(vector, behind, receive):
    """Bytes behind a frame do not change it: fillers, the start of a frame, another frame, noise."""
    reader = FrameReader()
    expected = [bytes.fromhex(vector["payload"])] + [STOP_PAYLOAD] * behind.startswith(STOP_FRAME)
    assert receive(reader, bytes.fromhex(vector["wire"]) + behind) == expected
    assert reader.pending == behind.removeprefix(STOP_FRAME).lstrip(b"\0")


@ways
@pytest.mark.parametrize("vector", cases("damaged"))
def test_damaged_vector(vector, receive):
    """A damaged stretch is rejected once, for the reason in the vector, and the next frame is found."""
    first, second = receive(MessageReader(), bytes.fromhex(vector["wire"]) + STOP_FRAME)
    assert isinstance(first, FrameRejected)
    assert first.damage is Damage[vector["damage"]]
    assert second.command_id == STOP_PAYLOAD[1]


@pytest.mark.parametrize("vector", cases("damaged"))
def test_rejected_bytes_are_counted_whole(vector):
    """`wire_bytes` of a rejected stretch is its length on the wire, closing zero included."""
    wire = bytes.fromhex(vector["wire"])
    (rejected,) = MessageReader().receive(wire)
    assert rejected.wire_bytes == len(wire)


def test_damaged_vectors_cover_every_damage():
    """Each kind of damage has at least one vector."""
    assert {vector["damage"] for vector in VECTORS["damaged"]} == {damage.name for damage in Damage}


@ways
@pytest.mark.parametrize("vector", cases("truncated"))
def test_truncated_vector(vector, receive):
    """A frame without its end yields nothing and is held; what the closing zero makes of it is known."""
    wire = bytes.fromhex(vector["wire"])
    reader = FrameReader()
    assert receive(reader, wire) == []
    assert reader.pending == wire
    (result,) = receive(reader, b"\0")
    if vector["then"] == "payload":
        assert encode_frame(result) == wire + b"\0"
    else:
        assert result == FrameRejected(Damage[vector["then"]], len(wire) + 1)
    assert receive(reader, STOP_FRAME) == [STOP_PAYLOAD]


@pytest.mark.parametrize("payload", [b"", bytes(239), bytes(1000)], ids=len)
def test_payload_that_does_not_fit_is_our_own_error(payload):
    """A payload of no bytes or of more than 238 is refused before it is sent."""
    with pytest.raises(LocalProtocolError, match="238"):
        encode_frame(payload)


@given(st.lists(payloads, max_size=8), st.data())
def test_any_chunking_gives_the_same_payloads(sent, data):
    """Any payloads in any chunking come back, in order, with fillers between them."""
    stream = b"".join(encode_frame(payload) + b"\0" * (len(payload) % 3) for payload in sent)
    cuts = sorted(data.draw(st.sets(st.integers(0, len(stream)), max_size=40)))
    reader = FrameReader()
    received = []
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        received += reader.receive(stream[start:end])
    assert received == sent
    assert reader.pending == b""


@given(payloads)
@example(bytes(238))
@example(b"\xff" * 238)
def test_frame_length(payload):
    """A frame is four bytes longer than its payload, ends on its only zero, and has at most 242 bytes."""
    frame = encode_frame(payload)
    assert len(frame) == len(payload) + 4 <= 242
    assert frame.index(0) == len(frame) - 1


@given(st.lists(garbage, max_size=8))
@example([b"\xa5" * 241, b"\xa5"])
@example([b"\xa5" * 1_000_000])
def test_garbage_never_raises_and_never_fills_memory(chunks):
    """Whatever comes, the reader returns and holds less than one frame."""
    reader = FrameReader()
    for chunk in chunks:
        reader.receive(chunk)
        assert len(reader.pending) <= 241
        assert 0 not in reader.pending


@given(garbage, payloads, st.booleans())
@example(b"\xa5" * 5000, b"\x01", False)
def test_frame_behind_garbage_and_a_zero_is_found(noise, payload, in_bytes):
    """Whatever came before, a frame behind a zero is found."""
    reader = FrameReader()
    receive = byte_by_byte if in_bytes else whole
    receive(reader, noise + b"\0")
    assert receive(reader, encode_frame(payload)) == [payload]


@given(st.lists(garbage | payloads.map(encode_frame) | st.just(b"\0"), max_size=8).map(b"".join))
def test_results_do_not_depend_on_chunks(stream):
    """Noise and frames give the same results, and the same rest, at once and byte by byte."""
    at_once, one_by_one = FrameReader(), FrameReader()
    assert whole(at_once, stream) == byte_by_byte(one_by_one, stream)
    assert at_once.pending == one_by_one.pending


@given(st.lists(garbage | payloads.map(encode_frame), max_size=8).map(b"".join))
def test_every_byte_is_accounted_for(stream):
    """Good frames, rejected stretches, fillers and the rest add up to the bytes received."""
    reader = FrameReader()
    results = reader.receive(stream + b"\0")
    counted = sum(each.wire_bytes if isinstance(each, FrameRejected) else len(each) + 4 for each in results)
    fillers = sum(1 for stretch in (stream + b"\0").split(b"\0")[:-1] if not stretch)
    assert counted + fillers == len(stream) + 1


@given(st.binary(max_size=300).filter(lambda stuffed: 0 not in stuffed))
def test_a_stretch_is_a_frame_or_damaged(stuffed):
    """Any stretch decodes to a payload that makes the same frame again, or to a damage."""
    result = decode_frame(stuffed)
    if isinstance(result, bytes):
        assert encode_frame(result) == bytes(stuffed) + b"\0"
    else:
        assert isinstance(result, Damage)
