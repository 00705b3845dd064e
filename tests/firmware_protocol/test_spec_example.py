"""SPEC.md alone is enough: its tables write the golden payloads, both ends say its worked examples."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from importlib.resources import files

import pytest
from cobs import cobs

from firmware_protocol.codec import decode, encode
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.host_link import Described, HostLink, Resent, Started, Stopped
from firmware_protocol.layout import RowLayout
from firmware_protocol.messages import Channel, Identity, Message, Samples
from firmware_protocol.states import HostState
from firmware_protocol.virtual_logger import VirtualLogger

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "messages.json").read_text(encoding="utf-8"))
TITLES = {
    "9.1": "IDENTIFY IDENTITY STOP REPLY DESCRIBE CHANNEL START REPLY SAMPLES STOP REPLY",
    "9.2": "START REPLY SAMPLES SAMPLES SAMPLES RESEND SAMPLES SAMPLES REPLY STOP REPLY",
    "9.3": "CHANNEL SAMPLES",
}
SECTIONS = {"IDENTIFY": "4.1", "DESCRIBE": "4.2", "START": "4.3", "STOP": "4.4", "RESEND": "4.5"}
SECTIONS |= {"IDENTITY": "4.6", "CHANNEL": "4.7", "REPLY": "4.8", "SAMPLES": "4.9"}
SIZES = {"u8": 1, "u16": 2, "u32": 4, "i32": 4}
CODES = {"wire_type": ("4.9", "wire type"), "statistic": ("4.7", "statistic"), "status": ("4.8", "status")}


def lay(spec, field, kind, value):
    """Return one field as bytes, by sections 3 and 4 of the page and nothing else."""
    if field in CODES:
        section, column = CODES[field]
        (value,) = (int(row["code"]) for row in spec.table(section, "code") if row[column] == value)
    if kind in SIZES:
        return value.to_bytes(SIZES[kind], "little", signed=kind.startswith("i"))
    if kind == "decimal":
        mantissa, exponent = value
        return mantissa.to_bytes(4, "little", signed=True) + exponent.to_bytes(1, "little", signed=True)
    if kind == "bytes":
        return bytes.fromhex(value)
    assert kind.startswith("text")
    return bytes([len(value.encode())]) + value.encode()


@pytest.mark.parametrize("vector", [pytest.param(each, id=each["name"]) for each in VECTORS["messages"]])
def test_byte_tables_write_the_golden_payloads(spec, vector):
    """Fields laid down by the page's byte tables, without codec.py, are the payload of the vector."""
    rows = spec.table(SECTIONS[vector["type"]], "offset")
    payload = b"".join(
        bytes([int(row["meaning"], 0)])
        if row["field"] == "type"
        else lay(spec, row["field"], row["type"], vector["fields"][row["field"]])
        for row in rows
    )
    assert payload.hex() == vector["payload"]


@dataclass(frozen=True)
class Entry:
    """One entry of a worked example."""

    sender: str
    title: str
    lost: bool
    payload: bytes
    wire: bytes

    @property
    def message(self) -> Message:
        return decode(self.payload)


def entries(spec, section):
    """Return the entries of the example in `section`."""
    found = re.findall(
        r"^(host|logger) +([A-Z]+)( \(lost on the way\))?\n  payload ([0-9a-f ]+)\n  wire +([0-9a-f ]+)$",
        spec.text[section],
        flags=re.MULTILINE,
    )
    return [
        Entry(sender, title, bool(lost), bytes.fromhex(payload), bytes.fromhex(wire))
        for sender, title, lost, payload, wire in found
    ]


@pytest.fixture(name="conversation")
def conversation_fixture(spec):
    """The conversation of 9.1, which goes on in 9.2."""
    return [*entries(spec, "9.1"), *entries(spec, "9.2")]


@pytest.mark.parametrize("section", TITLES)
def test_example_is_complete(spec, section):
    """Each example holds its messages in their order, and each is said by the end that may say it."""
    example = entries(spec, section)
    assert [entry.title for entry in example] == TITLES[section].split()
    assert all((entry.sender == "logger") == (entry.payload[0] >= 0x80) for entry in example)
    assert sum(entry.lost for entry in example) == (section == "9.2")


@pytest.mark.parametrize("section", TITLES)
def test_example_payloads(spec, section):
    """Each payload is the message of its title, and that message encodes to it."""
    for entry in entries(spec, section):
        assert type(entry.message).__name__.upper() == entry.title
        assert encode(entry.message) == entry.payload


@pytest.mark.parametrize("section", TITLES)
def test_example_wires(spec, section, bitwise_crc):
    """Each wire line is a valid frame with its payload, also by the package cobs 1.2.2 and a bitwise CRC."""
    for entry in entries(spec, section):
        assert FrameReader().receive(entry.wire) == [entry.payload]
        assert encode_frame(entry.payload) == entry.wire
        content = entry.payload + bitwise_crc(entry.payload).to_bytes(2, "big")
        assert entry.wire == cobs.encode(content) + b"\0"


def host_of(conversation):
    """Let a host hear the logger's lines but the lost one; return it, what it sent, and its events."""
    host, events, sent = HostLink(), [], []
    host.open(0.0)
    for entry in conversation:
        if entry.title == "START":
            host.start(0.0)
        elif entry.title == "RESEND":
            host.resend(entry.message.first_index, entry.message.count, 0.0)
        elif entry.title == "STOP" and host.state is HostState.STREAMING:
            host.stop(0.0)
        if entry.sender == "host":
            sent.append(host.outgoing())
        elif not entry.lost:
            events += host.receive(entry.wire, 0.0)
    return host, sent, events


def test_host_says_what_the_example_says(conversation):
    """A host that gets the logger's lines sends the host's lines, byte for byte, and ends ready."""
    host, sent, events = host_of(conversation)
    assert sent == [entry.wire for entry in conversation if entry.sender == "host"]
    told = [each for each in events if isinstance(each, Described | Started | Resent | Stopped)]
    assert isinstance(told[0], Described)
    assert told[1:] == [Started(1000), Stopped(1003), Started(2000), Resent(2003), Stopped(2012)]
    assert host.state is HostState.READY


def test_host_has_all_samples_of_the_example(conversation):
    """What the host hears holds each sample of both streams, the lost ones by the resend."""
    _, _, events = host_of(conversation)
    rows = {}
    for each in events:
        if isinstance(each, Samples):
            for row in range(each.count):
                rows[each.first_index + row] = each.rows[2 * row : 2 * row + 2]
    assert sorted(rows) == [*range(1000, 1003), *range(2000, 2012)]
    in_order = [int.from_bytes(rows[index], "little", signed=True) for index in range(2000, 2012)]
    assert in_order == list(range(100, 112))


def sampling(conversation):
    """Return the messages that the logger takes, by the number of the entry behind which it takes them.

    What is sent for the first time was taken behind the command before it, or, where a resend takes turns
    with it, before the RESEND came.
    """
    taken, seen = {}, set()
    command = 0
    for number, entry in enumerate(conversation):
        if entry.sender == "host":
            command = number
        elif entry.title == "SAMPLES" and entry.message.first_index not in seen:
            seen.add(entry.message.first_index)
            before = command - 1 if conversation[command].title == "RESEND" else command
            taken.setdefault(before, []).append(entry.message)
    return taken


def test_logger_says_what_the_example_says(conversation):
    """A logger that gets the host's lines sends the logger's lines, byte for byte."""
    (identity,) = (entry.message for entry in conversation if isinstance(entry.message, Identity))
    (channel,) = (entry.message for entry in conversation if isinstance(entry.message, Channel))
    logger = VirtualLogger(replace(identity, command_id=0), [replace(channel, command_id=0)])
    taken = sampling(conversation)
    said = b""
    for number, entry in enumerate(conversation):
        if entry.title == "START":
            first = taken[number][0].first_index
            logger.sample(0, first - logger._next_index, b"")
        if entry.sender == "host":
            logger.receive(entry.wire)
        for samples in taken.get(number, []):
            logger.sample(samples.tick_us, samples.count, samples.rows)
        resend_follows = number + 1 < len(conversation) and conversation[number + 1].title == "RESEND"
        said += b"" if resend_follows else logger.outgoing(1 << 20)
    assert said == b"".join(entry.wire for entry in conversation if entry.sender == "logger")


def readings(samples, channel, offset=0, step=2):
    """Return the raw counts of an I16 channel and its readings in words."""
    raw = [
        int.from_bytes(samples.rows[place : place + 2], "little", signed=True)
        for place in range(offset, len(samples.rows), step)
    ]
    return raw, [f"{count * channel.scale + channel.offset} {channel.unit}" for count in raw]


def test_example_readings(spec):
    """The readings named below the first example follow from raw x scale + offset."""
    example = entries(spec, "9.1")
    raw, in_words = readings(example[8].message, example[5].message)
    assert raw == [2400, 2405, -32768]
    assert in_words[:2] == ["12.000 A", "12.025 A"]
    text = " ".join(spec.text["9.1"].split())
    assert all(reading in text for reading in in_words[:2])


def test_example_with_divisors(spec):
    """Row 2999 has the current only, row 3000 the temperature behind it, as the layout says."""
    current = entries(spec, "9.1")[5].message
    temperature, samples = (entry.message for entry in entries(spec, "9.3"))
    layout = RowLayout.of([current, temperature])
    assert (samples.first_index, samples.count) == (2999, 2)
    assert [layout.row_bytes(index) for index in (2999, 3000)] == [2, 4]
    assert len(samples.rows) == layout.rows_bytes(2999, 2) == 6
    currents = [readings(samples, current, place, 6)[1][0] for place in (0, 2)]
    counts, warm = readings(samples, temperature, 4, 6)
    text = " ".join(spec.text["9.3"].split())
    for quoted in (*currents, *warm, f"{counts[0]} counts"):
        assert quoted in text
