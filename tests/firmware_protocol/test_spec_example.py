"""SPEC.md alone is enough: its tables write the golden payloads, its worked example is what both ends say."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from importlib.resources import files

import pytest
from cobs import cobs

from firmware_protocol.codec import decode, encode
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.host_link import Described, HostLink, Started, Stopped
from firmware_protocol.messages import Samples
from firmware_protocol.states import HostState
from firmware_protocol.virtual_logger import VirtualLogger

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "messages.json").read_text(encoding="utf-8"))
TITLES = ["IDENTIFY", "IDENTITY", "STOP", "REPLY", "DESCRIBE", "CHANNEL"]
TITLES += ["START", "REPLY", "SAMPLES", "STOP", "REPLY"]
SECTIONS = {"IDENTIFY": "4.1", "DESCRIBE": "4.2", "START": "4.3", "STOP": "4.4", "IDENTITY": "4.6"}
SECTIONS |= {"CHANNEL": "4.7", "REPLY": "4.8", "SAMPLES": "4.9"}
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


@pytest.fixture(name="example")
def example_fixture(spec):
    """The worked example: sender, title, payload and wire of each entry."""
    found = re.findall(
        r"^(host|logger) +([A-Z]+)\n  payload ([0-9a-f ]+)\n  wire +([0-9a-f ]+)$",
        spec.text["7"],
        flags=re.MULTILINE,
    )
    return [
        (sender, title, bytes.fromhex(payload), bytes.fromhex(frame))
        for sender, title, payload, frame in found
    ]


def test_example_is_complete(example):
    """The example holds eleven messages in the order of a short conversation."""
    assert [title for _, title, _, _ in example] == TITLES
    assert all((sender == "logger") == (payload[0] >= 0x80) for sender, _, payload, _ in example)


def test_example_payloads(example):
    """Each payload is the message of its title, and that message encodes to it."""
    for _, title, payload, _ in example:
        message = decode(payload)
        assert type(message).__name__.upper() == title
        assert encode(message) == payload


def test_example_wires(example, bitwise_crc):
    """Each wire line is a valid frame with its payload, also by the package cobs 1.2.2 and a bitwise CRC."""
    for _, _, payload, frame in example:
        assert FrameReader().receive(frame) == [payload]
        assert encode_frame(payload) == frame
        assert frame == cobs.encode(payload + bitwise_crc(payload).to_bytes(2, "big")) + b"\0"


def test_host_says_what_the_example_says(example):
    """A host that gets the logger's lines sends the host's lines, byte for byte, and ends ready."""
    host = HostLink()
    host.open(0.0)
    events = []
    for sender, title, _, frame in example:
        if title == "START":
            host.start(0.0)
        elif title == "STOP" and host.state is HostState.STREAMING:
            host.stop(0.0)
        if sender == "host":
            assert host.outgoing() == frame
        else:
            events += host.receive(frame, 0.0)
    kinds = [type(each) for each in events if isinstance(each, Described | Started | Samples | Stopped)]
    assert kinds == [Described, Started, Samples, Stopped]
    assert events[-1] == Stopped(1003)
    assert host.state is HostState.READY


def test_logger_says_what_the_example_says(example):
    """A logger that gets the host's lines sends the logger's lines, byte for byte."""
    decoded = [decode(payload) for _, _, payload, _ in example]
    identity, channel, samples = decoded[1], decoded[5], decoded[8]
    logger = VirtualLogger(replace(identity, command_id=0), [replace(channel, command_id=0)])
    said = b""
    for number, (sender, title, _, frame) in enumerate(example):
        if sender == "host":
            if number == 2:
                logger.sample(0, 600, b"")
            if title == "START":
                logger.sample(0, 400, b"")
            logger.receive(frame)
            if title == "START":
                logger.sample(samples.tick_us, samples.count, samples.rows)
            said += logger.outgoing(1 << 20)
    assert said == b"".join(frame for sender, _, _, frame in example if sender == "logger")


def test_example_readings(spec, example):
    """The readings named below the example follow from raw x scale + offset."""
    decoded = [decode(payload) for _, _, payload, _ in example]
    channel, samples = decoded[5], decoded[8]
    raw = [
        int.from_bytes(samples.rows[place : place + 2], "little", signed=True)
        for place in range(0, len(samples.rows), 2)
    ]
    assert raw == [2400, 2405, -32768]
    readings = [f"{count * channel.scale + channel.offset} A" for count in raw[:2]]
    assert readings == ["12.000 A", "12.025 A"]
    text = " ".join(spec.text["7"].split())
    assert all(reading in text for reading in readings)
