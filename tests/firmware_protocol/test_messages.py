"""Payloads and messages (SPEC 3, 4 and 8)."""

from __future__ import annotations

import json
from decimal import Decimal
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.codec import decode, encode
from firmware_protocol.errors import LocalProtocolError, MalformedMessage, VersionMismatch
from firmware_protocol.messages import (
    Channel,
    Describe,
    Identify,
    Identity,
    Reply,
    Resend,
    Samples,
    Start,
    Stop,
)
from firmware_protocol.wire import PROTOCOL_VERSION, Statistic, Status, WireType

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "messages.json").read_text(encoding="utf-8"))
PAYLOADS = {vector["name"]: bytes.fromhex(vector["payload"]) for vector in VECTORS["messages"]}

CLASSES = {
    each.__name__.upper(): each
    for each in (Identify, Describe, Start, Stop, Resend, Identity, Channel, Reply, Samples)
}
READERS = {
    "wire_type": WireType.__getitem__,
    "statistic": Statistic.__getitem__,
    "status": Status.__getitem__,
    "rows": bytes.fromhex,
    **dict.fromkeys(
        ("scale", "offset", "range_low", "range_high", "bandwidth_hz"),
        lambda pair: Decimal(pair[0]).scaleb(pair[1]),
    ),
}


def cases(kind):
    """Return the vectors of one kind as parameters with their names."""
    return [pytest.param(vector, id=vector["name"]) for vector in VECTORS[kind]]


def message_of(vector):
    """Return the message that a vector's fields spell."""
    fields = {name: READERS.get(name, lambda plain: plain)(value) for name, value in vector["fields"].items()}
    return CLASSES[vector["type"]](**fields)


def texts(limit):
    """Return texts of at most `limit` bytes of UTF-8 that may be printed."""
    characters = st.characters(codec="utf-8").filter(str.isprintable)
    return st.text(characters, max_size=limit).map(lambda text: text.encode()[:limit].decode(errors="ignore"))


u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
i32 = st.integers(-(2**31), 2**31 - 1)
decimals = st.builds(lambda mantissa, exponent: Decimal(mantissa).scaleb(exponent), i32, st.integers(-18, 18))
ids = u8
channels = st.builds(
    Channel,
    command_id=ids,
    channel=u8,
    quantity=st.from_regex(r"[a-z][a-z0-9]{0,7}(_[a-z0-9]{1,7}){0,2}", fullmatch=True),
    unit=st.from_regex(r"[A-Za-z0-9%/.]{1,8}", fullmatch=True),
    wire_type=st.sampled_from(WireType),
    divisor=st.integers(1, 2**16 - 1),
    scale=decimals.filter(bool),
    offset=decimals,
    range_low=decimals,
    range_high=decimals,
    statistic=st.sampled_from(Statistic),
    window_us=u32,
    bandwidth_hz=decimals,
    delay_us=i32,
    sensed_at=texts(24),
)
identities = st.builds(
    Identity,
    version=st.just(PROTOCOL_VERSION),
    command_id=ids,
    boot_id=u32,
    interval_ns=st.integers(1, 2**32 - 1),
    ring_samples=u32,
    channel_count=st.integers(1, 32),
    name=texts(32),
    firmware=texts(24),
)
replies = st.builds(Reply, ids, u8, st.sampled_from(Status), u32)
samples = st.builds(Samples, u8, u32, u32, st.integers(1, 255), st.binary(max_size=227))
commands = st.one_of(
    st.builds(Identify, ids),
    st.builds(Describe, ids, u8),
    st.builds(Start, ids),
    st.builds(Stop, ids),
    st.builds(Resend, ids, u32, u16),
)
messages = st.one_of(commands, identities, channels, replies, samples)


@pytest.mark.parametrize("vector", cases("messages"))
def test_encodes_vector(vector):
    """Each message has the payload of the vector."""
    assert encode(message_of(vector)).hex() == vector["payload"]


@pytest.mark.parametrize("vector", cases("messages"))
def test_decodes_vector(vector):
    """Each payload holds the message of the vector, decimals to the last digit."""
    found, expected = decode(bytes.fromhex(vector["payload"])), message_of(vector)
    assert found == expected
    assert repr(found) == repr(expected)


def test_vectors_cover_every_message_type():
    """Each type of message has at least two vectors."""
    types = [vector["type"] for vector in VECTORS["messages"]]
    assert all(types.count(name) >= 2 for name in CLASSES)


@pytest.mark.parametrize("vector", cases("extended"))
def test_bytes_behind_the_last_field_are_ignored(vector):
    """A message with fields of a later version behind it is read as the one known today."""
    assert decode(bytes.fromhex(vector["payload"])) == decode(PAYLOADS[vector["same_as"]])


@pytest.mark.parametrize("vector", cases("foreign"))
def test_identity_of_another_version(vector):
    """An identity of another version says which one, whatever else it holds."""
    with pytest.raises(VersionMismatch) as caught:
        decode(bytes.fromhex(vector["payload"]))
    assert (caught.value.version, caught.value.supported) == (vector["version"], PROTOCOL_VERSION)


@pytest.mark.parametrize("vector", cases("malformed"))
def test_malformed_vector(vector):
    """What breaks a rule is malformed (reason in the vector)."""
    with pytest.raises(MalformedMessage):
        decode(bytes.fromhex(vector["payload"]))


@pytest.mark.parametrize("payload", [pytest.param(p, id=n) for n, p in PAYLOADS.items()])
def test_a_message_cut_short_is_malformed(payload):
    """No message can lose its last bytes and still be read, but for rows, whose length the layout knows."""
    fixed = 11 if payload[0] == 0x84 else len(payload)
    for length in range(fixed):
        with pytest.raises(MalformedMessage):
            decode(payload[:length])


@given(messages)
def test_any_message_round_trips(message):
    """Any message of any type comes back from its payload, and its payload from it."""
    payload = encode(message)
    assert 1 <= len(payload) <= 238
    assert decode(payload) == message
    assert encode(decode(payload)) == payload


first_bytes = st.sampled_from([1, 2, 3, 4, 5, 0x81, 0x82, 0x83, 0x84]) | u8


@given(
    st.binary(max_size=238)
    | st.builds(lambda first, rest: bytes([first]) + rest, first_bytes, st.binary(max_size=120))
)
def test_arbitrary_bytes_are_a_message_or_one_error(payload):
    """Any bytes are a message that encodes again, or raise MalformedMessage or VersionMismatch only."""
    try:
        message = decode(payload)
    except (MalformedMessage, VersionMismatch):
        return
    assert payload.startswith(encode(message))


@given(st.sampled_from(sorted(PAYLOADS)), st.data())
def test_mutated_messages_are_a_message_or_one_error(name, data):
    """A valid payload with bytes replaced, removed or added is a message or raises one of the two errors."""
    payload = bytearray(PAYLOADS[name])
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(0, len(payload)))
        payload[place : place + data.draw(st.integers(0, 2))] = data.draw(st.binary(max_size=2))
    try:
        message = decode(bytes(payload[:238]))
    except (MalformedMessage, VersionMismatch):
        return
    assert decode(encode(message)) == message


GOOD_CHANNEL = decode(PAYLOADS["channel, current"])
GOOD_IDENTITY = decode(PAYLOADS["identity"])


def changed(message, **fields):
    """Return `message` with some fields replaced."""
    values = {name: getattr(message, name) for name in message.__slots__}
    return type(message)(**(values | fields))


UNFIT = {
    "id above 255": Identify(256),
    "id below 0": Identify(-1),
    "channel above 255": Describe(1, 256),
    "first index to resend": Resend(1, 2**32, 1),
    "count to resend": Resend(1, 0, 2**16),
    "reply index": Reply(1, 1, Status.DONE, 2**32),
    "sample index": Samples(0, 2**32, 0, 1, b""),
    "row count": Samples(0, 0, 0, 256, b""),
    "rows too long for a frame": Samples(0, 0, 0, 1, bytes(228)),
    "name": changed(GOOD_IDENTITY, name="n" * 33),
    "name in bytes, not characters": changed(GOOD_IDENTITY, name="\u20ac" * 11),
    "interval": changed(GOOD_IDENTITY, interval_ns=2**32),
    "divisor": changed(GOOD_CHANNEL, divisor=65536),
    "delay": changed(GOOD_CHANNEL, delay_us=2**31),
    "mantissa": changed(GOOD_CHANNEL, scale=Decimal(2**31)),
    "exponent too large": changed(GOOD_CHANNEL, scale=Decimal("1e19")),
    "exponent too small": changed(GOOD_CHANNEL, scale=Decimal("1e-19")),
    "NaN": changed(GOOD_CHANNEL, offset=Decimal("NaN")),
    "infinity": changed(GOOD_CHANNEL, offset=Decimal("Infinity")),
    "quantity": changed(GOOD_CHANNEL, quantity="q" * 25),
    "unit": changed(GOOD_CHANNEL, unit="u" * 9),
    "text that is not Unicode": changed(GOOD_CHANNEL, sensed_at="\ud800"),
}


@pytest.mark.parametrize("message", UNFIT.values(), ids=UNFIT)
def test_what_does_not_fit_the_wire_is_our_own_error(message):
    """A field that does not fit raises LocalProtocolError and nothing else."""
    with pytest.raises(LocalProtocolError):
        encode(message)
