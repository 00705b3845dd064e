"""SPEC.md says the same as the code: each table is read from the page and compared."""

from __future__ import annotations

import re
import struct
from decimal import Decimal
from importlib.resources import files

import pytest

from capture import placing
from capture.engine import session
from capture.quantities import COLUMN_ENDINGS, column_name
from firmware_protocol import codec, messages, states, wire
from firmware_protocol.codec import encode
from firmware_protocol.framing import Damage, crc16
from firmware_protocol.layout import RowLayout

HEADS = {
    "RESEND": codec._RESEND,
    "IDENTITY": codec._IDENTITY_HEAD,
    "CHANNEL": codec._CHANNEL_HEAD,
    "REPLY": codec._REPLY,
    "SAMPLES": codec.SAMPLES_HEAD,
}
FORMATS = {"u8": "B", "u16": "H", "u32": "I", "i32": "i"}
SECTIONS = {
    "IDENTIFY": "4.1",
    "DESCRIBE": "4.2",
    "START": "4.3",
    "STOP": "4.4",
    "RESEND": "4.5",
    "IDENTITY": "4.6",
    "CHANNEL": "4.7",
    "REPLY": "4.8",
    "SAMPLES": "4.9",
}
TEXT_LIMITS = {
    "name": wire.MAX_NAME_BYTES,
    "firmware": wire.MAX_FIRMWARE_BYTES,
    "quantity": wire.MAX_QUANTITY_BYTES,
    "unit": wire.MAX_UNIT_BYTES,
    "sensed_at": wire.MAX_SENSE_BYTES,
}
each_message = pytest.mark.parametrize("message", SECTIONS)


def number(cell):
    """Return the number in a cell, hexadecimal behind 0x."""
    return float(cell) if "." in cell else int(cell, 0)


def codes(table, name):
    """Return a table of codes as name to number."""
    return {row[name]: number(row["code"]) for row in table}


def test_limits(spec):
    """The named limits on the page are all those of wire.py, with the same values."""
    on_page = {
        row["name"]: number(row["value"])
        for section in ("2", "3", "5", "6", "8")
        for row in spec.table(section, "name")
    }
    in_code = {name: value for name, value in vars(wire).items() if isinstance(value, int | float)}
    assert on_page == in_code


def test_message_types(spec):
    """The table of messages has every type with its number, and says who sends it."""
    table = spec.table("4", "type")
    assert {row["message"]: number(row["type"]) for row in table} == {
        each.name: each.value for each in wire.MessageType
    }
    assert all((row["sent by"] == "host") == (number(row["type"]) < 0x80) for row in table)


@pytest.mark.parametrize(
    ("section", "name", "enum"),
    [
        ("4.7", "statistic", wire.Statistic),
        ("4.8", "status", wire.Status),
        ("4.9", "wire type", wire.WireType),
    ],
)
def test_codes(spec, section, name, enum):
    """Statistics, statuses and wire types have the numbers of wire.py."""
    assert codes(spec.table(section, "code"), name) == {each.name: each.value for each in enum}


def test_wire_types(spec):
    """Each wire type has the bytes, the range and the missing code that the page gives, to the byte."""
    for row in spec.table("4.9", "code"):
        wire_type = wire.WireType(int(row["code"]))
        size = wire.WIRE_TYPE_BYTES[wire_type]
        assert int(row["bytes"]) == size
        if wire_type is wire.WireType.F32:
            assert wire_type not in wire.MISSING_CODE
            continue
        missing, least, most = (int(row[name]) for name in ("missing code", "least", "most"))
        signed = least < 0
        assert missing == wire.MISSING_CODE[wire_type]
        assert bytes.fromhex(row["missing on the wire"]) == missing.to_bytes(size, "little", signed=signed)
        assert {missing, least, most} == (
            {-(2 ** (8 * size - 1)), -(2 ** (8 * size - 1)) + 1, 2 ** (8 * size - 1) - 1}
            if signed
            else {2 ** (8 * size) - 1, 0, 2 ** (8 * size) - 2}
        )


@each_message
def test_offsets_add_up(spec, message):
    """In each byte table every field begins where the one before ends, or behind it by name."""
    position, before = 0, ""
    for row in spec.table(SECTIONS[message], "offset"):
        assert row["offset"] == (str(position) if position is not None else f"behind {before}")
        size = int(row["size"]) if row["size"].isdigit() else None
        position = position + size if position is not None and size is not None else None
        before = row["field"]


@each_message
def test_first_byte_is_the_type(spec, message):
    """Each byte table begins with the type, of one byte and the right number."""
    first = spec.table(SECTIONS[message], "offset")[0]
    assert (first["field"], first["size"], first["type"]) == ("type", "1", "u8")
    assert int(first["meaning"], 0) == wire.MessageType[message]


@pytest.mark.parametrize("message", HEADS)
def test_sizes_of_heads(spec, message):
    """The integers at the front of a message are packed as codec.py packs them: same types, same size."""
    rows = spec.table(SECTIONS[message], "offset")
    types = [row["type"] for row in rows]
    integers = types[: next((i for i, each in enumerate(types) if each not in FORMATS), len(types))]
    packed = struct.Struct("<" + "".join(FORMATS[each] for each in integers))
    assert packed.format == HEADS[message].format
    assert packed.size == HEADS[message].size == sum(int(row["size"]) for row in rows[: len(integers)])


@each_message
def test_sizes_of_fields(spec, message):
    """Sizes match types: integers by their bits, decimals 5 bytes, texts their length byte and the limit."""
    for row in spec.table(SECTIONS[message], "offset"):
        if row["type"] in FORMATS:
            assert int(row["size"]) == struct.calcsize("<" + FORMATS[row["type"]])
        elif row["type"] == "decimal":
            assert int(row["size"]) == codec._DECIMAL.size == 5
        elif row["type"].startswith("text"):
            assert row["size"] == "1 + n"
            assert row["type"] == f"text, n ≤ {TEXT_LIMITS[row['field']]}"
        else:
            assert (row["type"], row["field"]) == ("bytes", "rows")


@each_message
def test_fields_are_those_of_the_message(spec, message):
    """Each byte table has the fields of the message in messages.py, no more and no fewer."""
    fields = {row["field"] for row in spec.table(SECTIONS[message], "offset")} - {"type"}
    assert fields == set(getattr(messages, message.capitalize()).__slots__)


def test_host_moves(spec):
    """The table of the host's states is states.py's, move for move; FAIL leads from any state to FAILED."""
    *rows, last = spec.table("5.1", "state")
    assert (last["state"], last["step"], last["next state"]) == ("any", "FAIL", "FAILED")
    moves = {(row["state"], row["step"]): row["next state"] for row in rows}
    assert moves == {
        (state.name, step.name): reached.name
        for (state, step), reached in states.HOST_MOVES.items()
        if step is not states.HostStep.FAIL
    }


def test_logger_moves(spec):
    """The table of the logger's states is states.py's, move for move."""
    moves = {(row["state"], row["step"]): row["next state"] for row in spec.table("5.2", "state")}
    assert moves == {(s.name, step.name): to.name for (s, step), to in states.LOGGER_MOVES.items()}


def test_units(spec):
    """The units on the page are those that have a column in capture/quantities.py, and fit the wire."""
    units = [row["unit"] for row in spec.table("4.7", "unit")]
    assert units == list(COLUMN_ENDINGS)
    assert all(codec._UNIT.fullmatch(unit) and len(unit) <= wire.MAX_UNIT_BYTES for unit in units)


def test_quantities(spec):
    """The recommended quantities fit the wire, have units of the list, and a channel of each goes through."""
    rows = spec.table("7.2", "quantity")
    units = {row["unit"] for row in spec.table("4.7", "unit")}
    assert len({row["quantity"] for row in rows}) == len(rows) >= 11
    for row in rows:
        assert row["unit"] in units
        assert codec._QUANTITY.fullmatch(row["quantity"])
        assert len(row["quantity"]) <= wire.MAX_QUANTITY_BYTES
        assert column_name(row["quantity"], row["unit"]) is not None


def test_speed_from_pulses(spec):
    """The speeds quoted in 7.3 are 60 / (pulses per revolution x time); two pulses a revolution."""
    text = " ".join(spec.text["7.3"].split())
    shaft, each, late, later, still_later, at_last = map(
        int,
        re.search(
            r"two pulses a revolution, a shaft at (\d+) 1/min gives a pulse each (\d+) ms; "
            r"(\d+) ms after the last one the logger sends (\d+), after (\d+) ms (\d+)",
            text,
        ).groups(),
    )
    for speed, milliseconds in ((shaft, each), (later, late), (at_last, still_later)):
        assert speed == 60 * 1000 / (2 * milliseconds)


def test_patterns(spec):
    """The rules for quantity and unit on the page are the patterns of codec.py."""
    patterns = dict(re.findall(r"`(quantity|unit)` matches `([^`]+)`", spec.text["3.3"]))
    assert patterns == {"quantity": codec._QUANTITY.pattern, "unit": codec._UNIT.pattern}


def test_damages(spec):
    """The page names every damage that a receiver tells apart, in section 2.3."""
    assert set(re.findall(r"damage `(\w+)`", spec.text["2.3"])) == {damage.name for damage in Damage}


def test_numbers_in_the_text(spec):
    """Check value, decimal, rows and floats quoted in the text are right.

    29B1: RevEng catalogue, CRC-16/IBM-3740. Floats: binary32 of IEEE 754-2019, by Python's struct.
    """
    assert "`123456789` give 0x29B1" in spec.text["2.1"]
    assert crc16(b"123456789") == 0x29B1
    assert "0.005 is `05 00 00 00 fd`" in spec.text["3.2"]
    assert codec._decimal(Decimal("0.005")).hex(" ") == "05 00 00 00 fd"
    floats = re.findall(r"(-?\d+\.\d+)\s+is\s+`((?:[0-9a-f]{2} ?){4})`", spec.text["4.9"])
    assert len(floats) == 4
    for value, stored in floats:
        assert struct.pack("<f", float(value)).hex(" ") == stored
    example = re.search(
        r"divisors\s+(\d) and (\d), the rows (\d), (\d) and (\d) have (\d), (\d) and (\d)", spec.text["4.9"]
    )
    one, other, *rest = map(int, example.groups())
    layout = RowLayout(((one, wire.WireType.I16), (other, wire.WireType.I16)))
    assert [layout.row_bytes(index) for index in rest[:3]] == rest[3:]


def test_sections_that_the_code_cites_exist(spec):
    """Each section number behind "SPEC" in the package is a heading on the page."""
    cited = set()
    for module in files("firmware_protocol").iterdir():
        if module.name.endswith(".py"):
            text = module.read_text(encoding="utf-8")
            for numbers in re.findall(r"SPEC (\d(?:\.\d+)?(?:(?:, | and )\d(?:\.\d+)?)*)", text):
                cited |= set(re.findall(r"\d(?:\.\d+)?", numbers))
    assert len(cited) > 10
    assert cited <= set(spec.text)


def test_longest_messages_fit_a_frame(spec):
    """By the byte tables, every message with its longest texts fits a payload."""
    for message, section in SECTIONS.items():
        sizes = [
            1 + int(row["type"].rsplit(" ", 1)[1]) if row["type"].startswith("text") else int(row["size"])
            for row in spec.table(section, "offset")
            if row["type"] != "bytes"
        ]
        assert sum(sizes) <= wire.MAX_PAYLOAD_BYTES, message
    least_row = messages.Samples(0, 0, 0, 1, bytes(wire.MAX_CHANNELS * 4))
    assert len(encode(least_row)) <= wire.MAX_PAYLOAD_BYTES


def test_what_this_host_does_is_what_the_page_says(spec):
    """The bounds that the page gives as this host's are those of the code in capture."""
    told = re.search(r"this host: by ([\d.]+) s and (\d+) % of the gap", spec.text["5.1"])
    assert float(told[1]) == placing.TICK_TOLERANCE_US * 1e-6
    assert float(told[2]) == placing.INTERVAL_TOLERANCE * 100
    told = re.search(r"this host:\s+(\d+) s, (\d+) messages", spec.text["5.4"])
    assert (int(told[1]), int(told[2])) == (session.LOST_AFTER_S, session.LOST_MESSAGES)
