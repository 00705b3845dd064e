"""The hobby logger's sensors: what they make of the true current and voltage, in counts on the wire."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final

import numpy as np

from firmware_protocol.messages import Channel
from firmware_protocol.wire import Statistic, WireType

if TYPE_CHECKING:
    import numpy.typing as npt

INTERVAL_US: Final = 2000


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel: its description, the noise of one reading, and the counts at which it clips."""

    channel: Channel
    noise: float
    lowest_count: int
    highest_count: int

    def counts(
        self, true_means: npt.NDArray[np.float64], random: np.random.Generator
    ) -> npt.NDArray[np.int64]:
        """Return the counts of readings whose true means over the window are given, in the unit."""
        noisy = true_means + random.normal(0.0, self.noise, len(true_means))
        counts = np.rint((noisy - float(self.channel.offset)) / float(self.channel.scale)).astype(np.int64)
        return np.clip(counts, self.lowest_count, self.highest_count)


def _channel(
    number: int, quantity: str, unit: str, wire_type: WireType, scale: str, ends: tuple[int, int]
) -> Channel:
    step = Decimal(scale)
    return Channel(
        command_id=0,
        channel=number,
        quantity=quantity,
        unit=unit,
        wire_type=wire_type,
        divisor=1,
        scale=step,
        offset=Decimal(0),
        range_low=step * ends[0],
        range_high=step * ends[1],
        statistic=Statistic.MEAN,
        window_us=INTERVAL_US,
        bandwidth_hz=Decimal(0),
        delay_us=INTERVAL_US // 2,
        sensed_at="pack terminals",
    )


_CURRENT_ENDS: Final = (-32000, 32000)
_VOLTAGE_ENDS: Final = (0, 51000)

#: Shunt current to +-160 A in steps of 5 mA, pack voltage to 63.75 V in steps of 1.25 mV.
SENSORS: Final = (
    Sensor(_channel(0, "current", "A", WireType.I16, "0.005", _CURRENT_ENDS), 0.04, *_CURRENT_ENDS),
    Sensor(_channel(1, "voltage", "V", WireType.U16, "0.00125", _VOLTAGE_ENDS), 0.003, *_VOLTAGE_ENDS),
)
