"""Frames: COBS stuffing, checksum, and a reader that finds frames in a byte stream (SPEC 2)."""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass
from enum import Enum

from firmware_protocol.errors import LocalProtocolError
from firmware_protocol.wire import (
    CRC_BYTES,
    CRC_INITIAL,
    FRAME_END,
    MAX_PAYLOAD_BYTES,
    MAX_WIRE_BYTES,
)

_LONGEST_RUN = 254  # non-zero bytes behind one COBS code byte


class Damage(Enum):
    """Why a stretch of bytes between two zeros was not a frame."""

    STUFFING = "byte stuffing does not add up"
    TOO_LONG = "longer than a frame may be"
    TOO_SHORT = "shorter than a message and its checksum"
    CHECKSUM = "checksum does not match"
    MESSAGE = "message makes no sense"


@dataclass(frozen=True, slots=True)
class FrameRejected:
    """A stretch of the stream that was not a good frame; noise is counted, never raised.

    `wire_bytes` is its length on the wire, the closing zero included.
    """

    damage: Damage
    wire_bytes: int


def crc16(content: bytes | bytearray | memoryview) -> int:
    """Return the CRC-16/IBM-3740 of `content` (polynomial 1021, initial FFFF, check value 29B1)."""
    return crc_hqx(content, CRC_INITIAL)


def cobs_encode(content: bytes) -> bytes:
    """Return `content` without any zero byte, by Consistent Overhead Byte Stuffing.

    The result is `len(content) + 1` bytes plus one for each full 254 bytes without a zero. Source:
    Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999.
    """
    encoded = bytearray()
    runs = content.split(b"\0")
    for position, run in enumerate(runs):
        rest = memoryview(run)
        while len(rest) > _LONGEST_RUN:
            encoded.append(0xFF)
            encoded += rest[:_LONGEST_RUN]
            rest = rest[_LONGEST_RUN:]
        last_run = position == len(runs) - 1
        encoded.append(len(rest) + 1)
        encoded += rest
        if len(rest) == _LONGEST_RUN and not last_run:
            encoded.append(0x01)
    return bytes(encoded)


def cobs_decode(encoded: bytes | bytearray) -> bytes | None:
    """Return the content that was stuffed, or None where `encoded` cannot be COBS.

    Both endings of a content that closes on exactly 254 non-zero bytes are accepted, with or without
    the final 01.
    """
    if not encoded or 0 in encoded:
        return None
    content = bytearray()
    position, end = 0, len(encoded)
    while position < end:
        code = encoded[position]
        following = position + code
        if following > end:
            return None
        content += encoded[position + 1 : following]
        position = following
        if code <= _LONGEST_RUN and position < end:
            content.append(0)
    return bytes(content)


def encode_frame(payload: bytes) -> bytes:
    """Return `payload` as a frame ready for the wire: checksum, stuffing, closing zero."""
    if not 1 <= len(payload) <= MAX_PAYLOAD_BYTES:
        raise LocalProtocolError(f"a payload has 1 to {MAX_PAYLOAD_BYTES} bytes, this one {len(payload)}")
    return cobs_encode(payload + crc16(payload).to_bytes(CRC_BYTES, "big")) + bytes([FRAME_END])


def decode_frame(stuffed: bytes | bytearray) -> bytes | Damage:
    """Return the payload of one frame given without its closing zero, or why it has none."""
    if len(stuffed) >= MAX_WIRE_BYTES:
        return Damage.TOO_LONG
    content = cobs_decode(stuffed)
    if content is None:
        return Damage.STUFFING
    if len(content) <= CRC_BYTES:
        return Damage.TOO_SHORT
    if crc16(content) != 0:  # the checksum is sent high byte first, so that the whole leaves zero
        return Damage.CHECKSUM
    return content[:-CRC_BYTES]


def frame_bytes(payload: bytes) -> int:
    """Return how long the frame of `payload` is on the wire: checksum, one code byte, closing zero."""
    return len(payload) + CRC_BYTES + 2


class FrameReader:
    """Finds frames in a byte stream that may be cut anywhere and damaged anywhere.

    It never holds more than one frame's worth of bytes: what grows past the longest frame is dropped
    up to the next zero and counted as one rejected frame.
    """

    def __init__(self) -> None:
        self._pending = bytearray()
        self._overlong_bytes = 0

    @property
    def pending(self) -> bytes:
        """Bytes of the frame that has begun and not ended; at most one frame long."""
        return bytes(self._pending)

    def receive(self, received: bytes) -> list[bytes | FrameRejected]:
        """Return the payloads and rejected stretches that `received` completes, in order."""
        results: list[bytes | FrameRejected] = []
        *ended, rest = received.split(bytes([FRAME_END]))
        for stretch in ended:
            self._append(stretch)
            results.extend(self._end_frame())
        self._append(rest)
        return results

    def _append(self, stretch: bytes) -> None:
        if self._overlong_bytes:
            self._overlong_bytes += len(stretch)
        elif len(self._pending) + len(stretch) >= MAX_WIRE_BYTES:
            self._overlong_bytes = len(self._pending) + len(stretch)
            self._pending.clear()
        else:
            self._pending += stretch

    def _end_frame(self) -> list[bytes | FrameRejected]:
        if self._overlong_bytes:
            rejected = FrameRejected(Damage.TOO_LONG, self._overlong_bytes + 1)
            self._overlong_bytes = 0
            return [rejected]
        if not self._pending:  # zeros in a row: an empty frame, allowed as a line filler
            return []
        stuffed = bytes(self._pending)
        self._pending.clear()
        payload = decode_frame(stuffed)
        if isinstance(payload, Damage):
            return [FrameRejected(payload, len(stuffed) + 1)]
        return [payload]
