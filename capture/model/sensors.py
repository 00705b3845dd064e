"""The hobby logger's sensors: what they make of the truth, in counts on the wire."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final

import numpy as np

from firmware_protocol.messages import Channel
from firmware_protocol.wire import WIRE_TYPE_BYTES, Statistic, WireType

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Counts = npt.NDArray[np.int64]

INTERVAL_US: Final = 2000
#: The load cell's converter averages over as many samples as lie between two of its readings.
FORCE_DIVISOR: Final = 6
SPEED_DIVISOR: Final = 5
GROUP_DIVISOR: Final = 10
TEMPERATURE_DIVISOR: Final = 250


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel: its description, the noise of one reading, and the counts at which it clips."""

    channel: Channel
    noise: float
    lowest_count: int
    highest_count: int

    def counts(self, true: Floats, random: np.random.Generator, noise: float = 1.0) -> Counts:
        """Return the counts of readings whose true values are given, in the unit; `noise` is a factor."""
        noisy = true + random.normal(0.0, self.noise * noise, len(true))
        counts = np.rint((noisy - float(self.channel.offset)) / float(self.channel.scale)).astype(np.int64)
        return np.minimum(np.maximum(counts, self.lowest_count), self.highest_count)


@dataclass(frozen=True, slots=True)
class _Kind:
    """What channels of one kind have in common."""

    unit: str
    wire_type: WireType
    scale: str
    ends: tuple[int, int]
    divisor: int
    noise: float
    sensed_at: str
    window_us: int = INTERVAL_US
    bandwidth_hz: int = 0


#: Shunt current to +-160 A in steps of 5 mA, pack voltage to 63.75 V in steps of 1.25 mV, slower channels.
_CURRENT: Final = _Kind("A", WireType.I16, "0.005", (-32000, 32000), 1, 0.04, "pack terminals")
_VOLTAGE: Final = _Kind("V", WireType.U16, "0.00125", (0, 51000), 1, 0.003, "pack terminals")
_SPEED: Final = _Kind("1/min", WireType.I16, "0.5", (-1, 32_000), SPEED_DIVISOR, 0.0, "spindle", window_us=0)
_FORCE: Final = _Kind(
    "N",
    WireType.I24,
    "0.01",
    (-50_000, 50_000),
    FORCE_DIVISOR,
    0.25,
    "feed handle",
    window_us=FORCE_DIVISOR * INTERVAL_US,
)
_WARMTH: Final = _Kind(
    "Cel", WireType.I16, "0.01", (-4000, 12_500), TEMPERATURE_DIVISOR, 0.03, "", window_us=0, bandwidth_hz=1
)
_GROUP: Final = _Kind("V", WireType.U16, "0.0005", (0, 10_000), GROUP_DIVISOR, 0.001, "balance leads")


def sensors_for(groups: int) -> tuple[Sensor, ...]:
    """Return the sensors on a pack of so many groups, in the order of their channels."""
    kinds = [
        ("current", _CURRENT),
        ("voltage", _VOLTAGE),
        ("speed", _SPEED),
        ("force", _FORCE),
        ("pack_temperature", _WARMTH),
        ("ambient_temperature", _WARMTH),
        *((f"group_{number}", _GROUP) for number in range(1, groups + 1)),
    ]
    return tuple(_sensor(number, quantity, kind) for number, (quantity, kind) in enumerate(kinds))


def _sensor(number: int, quantity: str, kind: _Kind) -> Sensor:
    step = Decimal(kind.scale)
    place = quantity.removesuffix("_temperature") if kind is _WARMTH else kind.sensed_at
    channel = Channel(
        command_id=0,
        channel=number,
        quantity=quantity,
        unit=kind.unit,
        wire_type=kind.wire_type,
        divisor=kind.divisor,
        scale=step,
        offset=Decimal(0),
        range_low=step * kind.ends[0],
        range_high=step * kind.ends[1],
        statistic=Statistic.MEAN if kind.window_us else Statistic.INSTANTANEOUS,
        window_us=kind.window_us,
        bandwidth_hz=Decimal(kind.bandwidth_hz),
        delay_us=kind.window_us // 2,
        sensed_at=place,
    )
    return Sensor(channel, kind.noise, *kind.ends)


class Tachometer:
    """Pulses of the spindle, timed by a counter: a period gives a speed, silence an upper bound."""

    def __init__(self, pulses_per_rev: int) -> None:
        self._pulses_per_rev = pulses_per_rev
        self._last_pulse_s = -np.inf
        self._period_s = np.inf
        self._seen_until_s = 0.0
        self._turns = 0.0

    def readings(self, times_s: Floats, turns: Floats, asked_s: Floats) -> Floats:
        """Return the speed in rpm at `asked_s`; `turns` are the revolutions at `times_s`, both rising.

        Without a pulse for longer than the last period the reading is an upper bound, one pulse in the time
        that has passed; after a second without one it is 0. It never holds the last value.
        """
        pulses_s = self._pulses(times_s, turns)
        readings = []
        at = 0
        for moment in asked_s.tolist():
            while at < len(pulses_s) and pulses_s[at] <= moment:
                self._period_s = float(pulses_s[at]) - self._last_pulse_s
                self._last_pulse_s = float(pulses_s[at])
                at += 1
            readings.append(self._reading(moment))
        for late in pulses_s[at:].tolist():
            self._period_s, self._last_pulse_s = late - self._last_pulse_s, late
        return np.array(readings)

    def _pulses(self, times_s: Floats, turns: Floats) -> Floats:
        """Return when the pulses came, to the timer's step: whenever a part of a turn was complete."""
        times = np.concatenate([[self._seen_until_s], times_s])
        parts = np.concatenate([[self._turns], turns]) * self._pulses_per_rev
        self._seen_until_s, self._turns = float(times_s[-1]), float(turns[-1])
        edges = np.arange(np.floor(parts[0]) + 1, np.floor(parts[-1]) + 1)
        behind = np.searchsorted(parts, edges)
        share = (edges - parts[behind - 1]) / (parts[behind] - parts[behind - 1])
        exact_s = times[behind - 1] + share * (times[behind] - times[behind - 1])
        return np.asarray(np.round(exact_s / TIMER_S) * TIMER_S)

    def _reading(self, moment_s: float) -> float:
        age_s = moment_s - self._last_pulse_s
        if age_s > SILENT_AFTER_S:
            return 0.0
        return 60.0 / (self._pulses_per_rev * max(self._period_s, age_s, TIMER_S))


#: The logger's timer counts in steps of 4 us, and takes a second without a pulse for standstill.
TIMER_S: Final = 4e-6
SILENT_AFTER_S: Final = 1.0


class RowLayer:
    """Lays counts down in the rows of a frame of so many samples: a channel only where its divisor divides.

    Where each byte goes repeats with the least common multiple of the divisors, so it is worked out once.
    """

    def __init__(self, sensors: Sequence[Sensor], samples: int) -> None:
        self._sizes = [WIRE_TYPE_BYTES[sensor.channel.wire_type] for sensor in sensors]
        self._divisors = [sensor.channel.divisor for sensor in sensors]
        self._samples = samples
        self._period = math.lcm(*self._divisors)
        self._places: dict[int, tuple[list[Counts], int]] = {}

    def rows(self, first_index: int, counts: Sequence[Counts]) -> bytes:
        """Return the rows from the sample `first_index` on; `counts` are those of the due samples."""
        phase = first_index % self._period
        if phase not in self._places:
            self._places[phase] = self._work_out(phase)
        places, size = self._places[phase]
        rows = np.empty(size, dtype=np.uint8)
        for values, place in zip(counts, places, strict=True):
            rows[place] = values.astype("<i8").view(np.uint8).reshape(-1, 8)[:, : place.shape[1]]
        return rows.tobytes()

    def _work_out(self, phase: int) -> tuple[list[Counts], int]:
        """Return for each channel the places of its bytes, (due samples, size), and the bytes of the rows."""
        index = np.arange(phase, phase + self._samples)
        due = [index % divisor == 0 for divisor in self._divisors]
        row_bytes = np.sum(
            [present * size for present, size in zip(due, self._sizes, strict=True)], axis=0, dtype=np.int64
        )
        start = np.cumsum(row_bytes) - row_bytes
        places = []
        for present, size in zip(due, self._sizes, strict=True):
            places.append(start[present][:, None] + np.arange(size))
            start = start + present * size
        return places, int(row_bytes.sum())
