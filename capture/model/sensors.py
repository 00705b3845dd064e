"""The hobby logger's sensors: what they make of the truth, in counts on the wire.

A count is rint((true * (1 + gain) + offset + noise - channel offset) / scale), held at the ends of the range.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.model.scenario import Imperfection
from capture.model.tachometer import Tachometer
from capture.model.work import STEP_S
from firmware_protocol.messages import Channel
from firmware_protocol.wire import WIRE_TYPE_BYTES, Statistic, WireType

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.model.life import Stretch
    from capture.model.scenario import Scenario

INTERVAL_US: Final = round(STEP_S * 1e6)
GROUPS: Final = 10
_MOST_BYTES: Final = 4


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel: its description, the noise of one reading, and the counts at which it clips."""

    channel: Channel
    noise: float
    lowest_count: int
    highest_count: int


def _sensor(
    quantity: str,
    unit: str,
    wire_type: WireType,
    scale: str,
    ends: tuple[int, int],
    *,
    noise: float,
    sensed_at: str,
    divisor: int = 1,
    statistic: Statistic = Statistic.MEAN,
) -> Sensor:
    step = Decimal(scale)
    window_us = INTERVAL_US if statistic is Statistic.MEAN else 0
    channel = Channel(
        command_id=0,
        channel=0,
        quantity=quantity,
        unit=unit,
        wire_type=wire_type,
        divisor=divisor,
        scale=step,
        offset=Decimal(0),
        range_low=step * ends[0],
        range_high=step * ends[1],
        statistic=statistic,
        window_us=window_us,
        bandwidth_hz=Decimal(0),
        delay_us=window_us // 2,
        sensed_at=sensed_at,
    )
    return Sensor(channel, noise, *ends)


def _tachometer() -> Sensor:
    """Return the sensor of speed: the last period between pulses, not a mean over the sample's window."""
    sensor = _sensor(
        "speed",
        "1/min",
        WireType.U16,
        "1",
        (0, 60_000),
        noise=0.0,
        sensed_at="spindle",
        divisor=5,
        statistic=Statistic.INSTANTANEOUS,
    )
    # standing still is a reading, not an end of the range
    return replace(sensor, channel=replace(sensor.channel, range_low=Decimal(-1)))


def _thermometer(place: str) -> Sensor:
    ends = (-4000, 12_500)
    return _sensor(
        f"{place}_temperature", "Cel", WireType.I16, "0.01", ends, noise=0.03, sensed_at=place, divisor=250
    )


def _group_tap(number: int) -> Sensor:
    ends = (0, 5000)
    return _sensor(
        f"group_{number}", "V", WireType.U16, "0.001", ends, noise=0.001, sensed_at="balance tap", divisor=10
    )


def _numbered(*sensors: Sensor) -> tuple[Sensor, ...]:
    return tuple(
        replace(sensor, channel=replace(sensor.channel, channel=number))
        for number, sensor in enumerate(sensors)
    )


#: Shunt to +-160 A, pack voltage to 63.75 V, tachometer, load cell, two thermometers, a tap at each group.
SENSORS: Final = _numbered(
    _sensor("current", "A", WireType.I16, "0.005", (-32_000, 32_000), noise=0.04, sensed_at="shunt"),
    _sensor("voltage", "V", WireType.U16, "0.00125", (0, 51_000), noise=0.003, sensed_at="pack terminals"),
    _tachometer(),
    _sensor(
        "force",
        "N",
        WireType.I24,
        "0.0001",
        (-(8 * 10**6), 8 * 10**6),
        noise=0.4,
        sensed_at="feed",
        divisor=6,
    ),
    _thermometer("pack"),
    _thermometer("ambient"),
    *(_group_tap(number) for number in range(1, GROUPS + 1)),
)
QUANTITIES: Final = tuple(sensor.channel.quantity for sensor in SENSORS)
ALL: Final = np.arange(len(SENSORS))
#: Which of them hang on a load bank: nothing turns there, and nothing is fed.
ON_A_BANK: Final = np.flatnonzero([quantity not in {"speed", "force"} for quantity in QUANTITIES])

_SCALES: Final = np.array([[float(sensor.channel.scale)] for sensor in SENSORS])
_NOISES: Final = np.array([[sensor.noise] for sensor in SENSORS])
_LOWEST: Final = np.array([[sensor.lowest_count] for sensor in SENSORS])
_HIGHEST: Final = np.array([[sensor.highest_count] for sensor in SENSORS])
_DIVISORS: Final = np.array([sensor.channel.divisor for sensor in SENSORS])
_BYTES: Final = np.array([WIRE_TYPE_BYTES[sensor.channel.wire_type] for sensor in SENSORS])


class SensorBoard:
    """All sensors of one life; noise comes from the life's own stream of chance."""

    def __init__(self, scenario: Scenario) -> None:
        self._random = scenario.random(stream="noise")
        self._tachometer = Tachometer()
        faults = [scenario.imperfections.get(quantity, Imperfection()) for quantity in QUANTITIES]
        self._gains = np.array([[1.0 + fault.gain] for fault in faults])
        self._offsets = np.array([[fault.offset] for fault in faults])

    def counts(self, stretch: Stretch) -> npt.NDArray[np.int64]:
        """Return what each sensor makes of each step, shape (sensors, steps), due on the wire or not."""
        ticks = stretch.first_sample * STEP_S
        true = np.empty((len(SENSORS), len(stretch.current_a)))
        speed_rpm = self._tachometer.readings(stretch.speed_rad_per_s, ticks, STEP_S)
        true[0], true[1], true[2], true[3] = stretch.current_a, stretch.voltage_v, speed_rpm, stretch.force_n
        true[4], true[5] = stretch.pack_temperature_degc, stretch.ambient_temperature_degc
        true[6:] = stretch.group_v
        noisy = true * self._gains + self._offsets + _NOISES * self._random.standard_normal(true.shape)
        counts = np.clip(np.rint(noisy / _SCALES), _LOWEST, _HIGHEST)
        return np.asarray(counts.astype(np.int64))


def channels_of(sensors: npt.NDArray[np.intp] = ALL) -> list[Channel]:
    """Return the channels of some sensors, in their order, numbered from 0."""
    return [replace(SENSORS[at].channel, channel=number) for number, at in enumerate(sensors)]


def rows_of(counts: npt.NDArray[np.int64], first_index: int, sensors: npt.NDArray[np.intp] = ALL) -> bytes:
    """Return counts (sensors, samples) as the rows of a samples message; the first has index `first_index`.

    Of all counts only those of `sensors` are sent. A channel lies only in rows whose index its divisor
    divides (SPEC 4.9).
    """
    index = np.arange(first_index, first_index + counts.shape[1])
    due = index[:, None] % _DIVISORS[sensors] == 0
    sent = due[:, :, None] & (np.arange(_MOST_BYTES) < _BYTES[sensors, None])
    low_bytes = counts[sensors].T.astype("<i4", order="C").view(np.uint8).reshape(sent.shape)
    return bytes(low_bytes[sent])
