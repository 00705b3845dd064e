"""The messages, as frozen values (SPEC 4). What they look like on the wire is `codec.py`'s affair."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from firmware_protocol.wire import MessageType, Statistic, Status, WireType

if TYPE_CHECKING:
    from decimal import Decimal


@dataclass(frozen=True, slots=True)
class Identify:
    """Asks a logger who it is (SPEC 4.1)."""

    command_id: int


@dataclass(frozen=True, slots=True)
class Describe:
    """Asks for the description of one channel, counted from 0 (SPEC 4.2)."""

    command_id: int
    channel: int


@dataclass(frozen=True, slots=True)
class Start:
    """Asks for samples from now on (SPEC 4.3)."""

    command_id: int


@dataclass(frozen=True, slots=True)
class Stop:
    """Asks for the end of the samples (SPEC 4.4)."""

    command_id: int


@dataclass(frozen=True, slots=True)
class Resend:
    """Asks for `count` samples from `first_index` (modulo 2**32) on once more (SPEC 4.5)."""

    command_id: int
    first_index: int
    count: int


@dataclass(frozen=True, slots=True)
class UnknownCommand:
    """A command of a type that this version does not have (SPEC 5.2)."""

    command_id: int
    command: int


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a logger is and how it samples (SPEC 4.6).

    `boot_id` differs at every start of the logger; `interval_ns` is the time from one sample to the next;
    `ring_samples` is how many of the latest samples it can still send again (0: it has no ring).
    """

    version: int
    command_id: int
    boot_id: int
    interval_ns: int
    ring_samples: int
    channel_count: int
    name: str
    firmware: str


@dataclass(frozen=True, slots=True)
class Channel:
    """What one channel measures and how its readings are laid down (SPEC 4.7).

    A reading is `raw * scale + offset` in `unit`; the channel has one in each sample whose index is a
    multiple of `divisor`. At `range_low` and `range_high` a reading is clipped. `window_us` is the time over
    which `statistic` was taken, `delay_us` how long before the tick its middle lies, `bandwidth_hz` the
    -3 dB bandwidth (0: not known), `sensed_at` where on the rig it is measured.
    """

    command_id: int
    channel: int
    quantity: str
    unit: str
    wire_type: WireType
    divisor: int
    scale: Decimal
    offset: Decimal
    range_low: Decimal
    range_high: Decimal
    statistic: Statistic
    window_us: int
    bandwidth_hz: Decimal
    delay_us: int
    sensed_at: str


@dataclass(frozen=True, slots=True)
class Reply:
    """How a command ended (SPEC 4.8).

    `index` is the first sample of the running stream after a start, the one after the last sample after a
    stop, the one up to which nothing will come any more after a resend, and 0 otherwise; modulo 2**32.
    """

    command_id: int
    command: int
    status: Status
    index: int


@dataclass(frozen=True, slots=True)
class Samples:
    """Consecutive samples as they came (SPEC 4.9): `rows` is `count` rows by the channels' layout.

    `first_index` and `tick_us` belong to the first row and count modulo 2**32; `boot_tag` is the low byte of
    the boot id.
    """

    boot_tag: int
    first_index: int
    tick_us: int
    count: int
    rows: bytes


Command = Identify | Describe | Start | Stop | Resend
Answer = Identity | Channel | Reply | Samples
Message = Command | UnknownCommand | Answer

COMMAND_TYPES: dict[type[Command], MessageType] = {
    Identify: MessageType.IDENTIFY,
    Describe: MessageType.DESCRIBE,
    Start: MessageType.START,
    Stop: MessageType.STOP,
    Resend: MessageType.RESEND,
}
