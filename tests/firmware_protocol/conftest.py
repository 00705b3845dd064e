"""What several tests of the protocol need: an independent checksum, a bench, SPEC.md in parts."""

from __future__ import annotations

import re
from collections import defaultdict
from decimal import Decimal
from importlib.resources import files

import pytest

from firmware_protocol.layout import RowLayout
from firmware_protocol.messages import Channel, Identity
from firmware_protocol.virtual_logger import VirtualLogger
from firmware_protocol.wire import PROTOCOL_VERSION, WIRE_TYPE_BYTES, Statistic, WireType


def bitwise_crc(
    content: bytes, *, poly: int = 0x1021, init: int = 0xFFFF, reflected: bool = False, xorout: int = 0
) -> int:
    """Return a 16-bit CRC, one bit at a time: slow, plain, and nothing of the code under test."""
    register = init
    for byte in content:
        for bit in range(8) if reflected else range(7, -1, -1):
            feedback = (register >> 15) ^ (byte >> bit & 1)
            register = (register << 1 & 0xFFFF) ^ (poly if feedback else 0)
    if reflected:
        register = int(f"{register:016b}"[::-1], 2)
    return register ^ xorout


@pytest.fixture(name="bitwise_crc", scope="session")
def bitwise_crc_fixture():
    """The independent checksum as a function."""
    return bitwise_crc


def channel(number: int, quantity: str, unit: str, wire_type: WireType, divisor: int) -> Channel:
    """Return a plain channel."""
    return Channel(
        command_id=0,
        channel=number,
        quantity=quantity,
        unit=unit,
        wire_type=wire_type,
        divisor=divisor,
        scale=Decimal("0.005"),
        offset=Decimal(0),
        range_low=Decimal("-163.835"),
        range_high=Decimal("163.835"),
        statistic=Statistic.MEAN,
        window_us=1000,
        bandwidth_hz=Decimal(400),
        delay_us=500,
        sensed_at="pack",
    )


class Bench:
    """A virtual logger with three channels, and the samples it takes: each raw reading is its index."""

    def __init__(self, ring_samples: int = 1000, unsent_samples: int | None = None) -> None:
        self.channels = (
            channel(0, "current", "A", WireType.I16, 1),
            channel(1, "voltage", "V", WireType.U16, 1),
            channel(2, "pack_temperature", "Cel", WireType.I24, 7),
        )
        self.identity = Identity(
            PROTOCOL_VERSION, 0, 0xB0071D42, 1_000_000, ring_samples, len(self.channels), "bench", "0.1.0"
        )
        self.layout = RowLayout.of(self.channels)
        self.logger = VirtualLogger(self.identity, self.channels, unsent_samples=unsent_samples)
        self.taken = 0

    def rows(self, first_index: int, count: int) -> bytes:
        """Return the rows of `count` samples from `first_index` on."""
        return b"".join(
            (index & 0x7FFF).to_bytes(WIRE_TYPE_BYTES[one.wire_type], "little")
            for index in range(first_index, first_index + count)
            for one in self.channels
            if index % one.divisor == 0
        )

    def sample(self, count: int) -> None:
        """Let the logger take `count` samples, one message of them."""
        self.logger.sample(self.taken * 1000, count, self.rows(self.taken, count))
        self.taken += count


@pytest.fixture
def bench():
    """A bench with an idle logger."""
    return Bench()


@pytest.fixture(scope="session")
def make_bench():
    """How to make a bench, for tests that need several or another ring."""
    return Bench


class Spec:
    """SPEC.md by sections: `text[number]` and `tables[number]`, a table being a list of rows by heading."""

    def __init__(self, markdown: str) -> None:
        self.text: dict[str, str] = defaultdict(str)
        section = "0"
        for line in markdown.splitlines():
            heading = re.match(r"#+ (\d+(?:\.\d+)?) ", line)
            section = heading[1] if heading else section
            self.text[section] += line + "\n"
        self.tables = {number: _tables(text) for number, text in self.text.items()}

    def table(self, section: str, first_heading: str) -> list[dict[str, str]]:
        """Return the table of `section` whose first column has this heading."""
        (found,) = (table for table in self.tables[section] if first_heading == next(iter(table[0])))
        return found


def _tables(text: str) -> list[list[dict[str, str]]]:
    tables = []
    for block in re.findall(r"(?:^\|.*\n)+", text, flags=re.MULTILINE):
        headings, _, *rows = (
            [cell.strip().replace("`", "") for cell in line.strip("|").split("|")]
            for line in block.splitlines()
        )
        tables.append([dict(zip(headings, row, strict=True)) for row in rows])
    return tables


@pytest.fixture(scope="session")
def spec():
    """SPEC.md, taken apart."""
    return Spec((files("firmware_protocol") / "SPEC.md").read_text(encoding="utf-8"))
