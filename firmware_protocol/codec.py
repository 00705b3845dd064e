"""Messages to payload bytes and back (SPEC 3 and 4). No state, no frames."""

from __future__ import annotations

import re
import struct
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from firmware_protocol.errors import LocalProtocolError, MalformedMessage, VersionMismatch
from firmware_protocol.messages import (
    COMMAND_TYPES,
    Channel,
    Command,
    Describe,
    Identify,
    Identity,
    Message,
    Reply,
    Resend,
    Samples,
    Start,
    Stop,
    UnknownCommand,
)
from firmware_protocol.wire import (
    MAX_CHANNELS,
    MAX_DECIMAL_EXPONENT,
    MAX_FIRMWARE_BYTES,
    MAX_NAME_BYTES,
    MAX_PAYLOAD_BYTES,
    MAX_QUANTITY_BYTES,
    MAX_SENSE_BYTES,
    MAX_UNIT_BYTES,
    PROTOCOL_VERSION,
    MessageType,
    Statistic,
    Status,
    WireType,
)

if TYPE_CHECKING:
    from collections.abc import Callable

_IDENTITY_HEAD: Final = struct.Struct("<BBBIIIB")
_CHANNEL_HEAD: Final = struct.Struct("<BBBBHBIi")
_RESEND: Final = struct.Struct("<BBIH")
_FIRST_ANSWER: Final = 0x80
_REPLY: Final = struct.Struct("<BBBBI")
SAMPLES_HEAD: Final = struct.Struct("<BBIIB")
_DECIMAL: Final = struct.Struct("<ib")

_QUANTITY: Final = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_UNIT: Final = re.compile(r"[A-Za-z0-9%/.]+")


def encode(message: Message) -> bytes:
    """Return the payload of `message`; raise LocalProtocolError where a field does not fit the wire."""
    try:
        payload = _encode(message)
    except (struct.error, OverflowError, UnicodeEncodeError) as error:
        raise LocalProtocolError(f"{type(message).__name__} does not fit the wire: {error}") from error
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise LocalProtocolError(
            f"{type(message).__name__} has {len(payload)} bytes, at most {MAX_PAYLOAD_BYTES} fit a frame"
        )
    return payload


def _encode(message: Message) -> bytes:
    match message:
        case Describe():
            return struct.pack("<BBB", MessageType.DESCRIBE, message.command_id, message.channel)
        case Resend():
            fields = (message.command_id, message.first_index, message.count)
            return _RESEND.pack(MessageType.RESEND, *fields)
        case Identify() | Start() | Stop():
            return struct.pack("<BB", COMMAND_TYPES[type(message)], message.command_id)
        case UnknownCommand():
            return struct.pack("<BB", message.command, message.command_id)
        case Identity():
            return _encode_identity(message)
        case Channel():
            return _encode_channel(message)
        case Reply():
            outcome = (message.command_id, message.command, message.status, message.index)
            return _REPLY.pack(MessageType.REPLY, *outcome)
        case Samples():
            head = (message.boot_tag, message.first_index, message.tick_us, message.count)
            return SAMPLES_HEAD.pack(MessageType.SAMPLES, *head) + message.rows


def _encode_identity(message: Identity) -> bytes:
    head = _IDENTITY_HEAD.pack(
        MessageType.IDENTITY,
        message.version,
        message.command_id,
        message.boot_id,
        message.interval_ns,
        message.ring_samples,
        message.channel_count,
    )
    return head + _text(message.name, MAX_NAME_BYTES) + _text(message.firmware, MAX_FIRMWARE_BYTES)


def _encode_channel(message: Channel) -> bytes:
    head = _CHANNEL_HEAD.pack(
        MessageType.CHANNEL,
        message.command_id,
        message.channel,
        message.wire_type,
        message.divisor,
        message.statistic,
        message.window_us,
        message.delay_us,
    )
    decimals = (
        message.scale,
        message.offset,
        message.range_low,
        message.range_high,
        message.bandwidth_hz,
    )
    return b"".join(
        (
            head,
            *map(_decimal, decimals),
            _text(message.quantity, MAX_QUANTITY_BYTES),
            _text(message.unit, MAX_UNIT_BYTES),
            _text(message.sensed_at, MAX_SENSE_BYTES),
        )
    )


def _text(text: str, limit: int) -> bytes:
    encoded = text.encode()
    if len(encoded) > limit:
        raise LocalProtocolError(f"{text!r} has {len(encoded)} bytes, at most {limit} are allowed")
    return bytes([len(encoded)]) + encoded


def _decimal(value: Decimal) -> bytes:
    sign, digits, exponent = value.as_tuple()
    if not isinstance(exponent, int) or abs(exponent) > MAX_DECIMAL_EXPONENT:
        raise LocalProtocolError(f"{value} cannot be a decimal of the wire")
    mantissa = int("".join(map(str, digits))) * (-1 if sign else 1)
    return _DECIMAL.pack(mantissa, exponent)


def decode(payload: bytes) -> Message:
    """Return the message in `payload`.

    Raises MalformedMessage where it cannot be one, VersionMismatch for an identity of another version.
    Bytes behind the last field of a message are ignored, so that a later version may add fields.
    """
    try:
        return _DECODERS.get(payload[0], _decode_unknown)(payload)
    except (struct.error, ValueError, IndexError) as error:
        raise MalformedMessage(
            f"{payload[:1].hex() or 'an empty payload'} cannot be read: {error}"
        ) from error


def _decode_plain(command: type[Identify | Start | Stop]) -> Callable[[bytes], Command]:
    def decode_plain(payload: bytes) -> Command:
        return command(payload[1])

    return decode_plain


def _decode_describe(payload: bytes) -> Describe:
    return Describe(payload[1], payload[2])


def _decode_resend(payload: bytes) -> Resend:
    _, command_id, first_index, count = _RESEND.unpack_from(payload)
    return Resend(command_id, first_index, count)


def _decode_unknown(payload: bytes) -> UnknownCommand:
    command = payload[0]
    if command == 0 or command >= _FIRST_ANSWER:
        raise ValueError("there is no answer of this type")
    return UnknownCommand(payload[1], command)


def _decode_identity(payload: bytes) -> Identity:
    version = payload[1]  # at this place in every version, past and future (SPEC 8)
    if version != PROTOCOL_VERSION:
        raise VersionMismatch(version, PROTOCOL_VERSION)
    _, _, command_id, boot_id, interval_ns, ring_samples, channels = _IDENTITY_HEAD.unpack_from(payload)
    texts = _Texts(payload, _IDENTITY_HEAD.size)
    name, firmware = texts.take(MAX_NAME_BYTES), texts.take(MAX_FIRMWARE_BYTES)
    if not 1 <= channels <= MAX_CHANNELS:
        raise ValueError(f"{channels} channels, 1 to {MAX_CHANNELS} are allowed")
    if interval_ns == 0:
        raise ValueError("the interval between samples is zero")
    return Identity(version, command_id, boot_id, interval_ns, ring_samples, channels, name, firmware)


def _decode_channel(payload: bytes) -> Channel:
    _, command_id, channel, wire_type, divisor, statistic, window_us, delay_us = _CHANNEL_HEAD.unpack_from(
        payload
    )
    decimals = []
    position = _CHANNEL_HEAD.size
    for _ in range(5):
        mantissa, exponent = _DECIMAL.unpack_from(payload, position)
        if abs(exponent) > MAX_DECIMAL_EXPONENT:
            raise ValueError(f"decimal exponent {exponent}")
        decimals.append(Decimal(mantissa).scaleb(exponent))
        position += _DECIMAL.size
    scale, offset, range_low, range_high, bandwidth_hz = decimals
    texts = _Texts(payload, position)
    quantity = texts.take(MAX_QUANTITY_BYTES, _QUANTITY)
    unit = texts.take(MAX_UNIT_BYTES, _UNIT)
    sensed_at = texts.take(MAX_SENSE_BYTES)
    if divisor == 0:
        raise ValueError("the divisor is zero")
    if scale == 0:
        raise ValueError("the scale is zero")
    return Channel(
        command_id=command_id,
        channel=channel,
        quantity=quantity,
        unit=unit,
        wire_type=WireType(wire_type),
        divisor=divisor,
        scale=scale,
        offset=offset,
        range_low=range_low,
        range_high=range_high,
        statistic=Statistic(statistic),
        window_us=window_us,
        bandwidth_hz=bandwidth_hz,
        delay_us=delay_us,
        sensed_at=sensed_at,
    )


def _decode_reply(payload: bytes) -> Reply:
    _, command_id, command, status, index = _REPLY.unpack_from(payload)
    return Reply(command_id, command, Status(status), index)


def _decode_samples(payload: bytes) -> Samples:
    _, boot_tag, first_index, tick_us, count = SAMPLES_HEAD.unpack_from(payload)
    if count == 0:
        raise ValueError("no rows")
    return Samples(boot_tag, first_index, tick_us, count, payload[SAMPLES_HEAD.size :])


class _Texts:
    """Takes length-prefixed texts from a payload, one after the other (SPEC 3.3)."""

    def __init__(self, payload: bytes, position: int) -> None:
        self._payload = payload
        self._position = position

    def take(self, limit: int, pattern: re.Pattern[str] | None = None) -> str:
        start = self._position + 1
        length = self._payload[self._position]
        if length > limit:
            raise ValueError(f"a text of {length} bytes, at most {limit} are allowed")
        self._position = start + length
        if self._position > len(self._payload):
            raise ValueError("a text runs past the end")
        text = self._payload[start : self._position].decode()
        if pattern is not None and not pattern.fullmatch(text):
            raise ValueError(f"the text {text!r} has characters that are not allowed there")
        if not text.isprintable():
            raise ValueError(f"the text {text!r} is not printable")
        return text


_DECODERS: Final[dict[int, Callable[[bytes], Message]]] = {
    MessageType.IDENTIFY: _decode_plain(Identify),
    MessageType.DESCRIBE: _decode_describe,
    MessageType.START: _decode_plain(Start),
    MessageType.STOP: _decode_plain(Stop),
    MessageType.RESEND: _decode_resend,
    MessageType.IDENTITY: _decode_identity,
    MessageType.CHANNEL: _decode_channel,
    MessageType.REPLY: _decode_reply,
    MessageType.SAMPLES: _decode_samples,
}
