"""The virtual rig: pack, tool, work and sensors behind the device side of the protocol, in virtual time.

Deterministic: the same scenario gives the same samples whatever the host does and however time is served.
Nothing is kept of what went by; the truth of any stretch is computed by living it again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.model.life import FRAME_S, STEP_S, STEPS_PER_FRAME, Life, Lived
from capture.model.sensors import (
    FORCE_DIVISOR,
    GROUP_DIVISOR,
    INTERVAL_US,
    SPEED_DIVISOR,
    TEMPERATURE_DIVISOR,
    RowLayer,
    Tachometer,
    sensors_for,
)
from capture.quantities import ah_from_coulomb, wh_from_joule
from firmware_protocol.messages import Identity
from firmware_protocol.states import LoggerState
from firmware_protocol.virtual_logger import VirtualLogger
from firmware_protocol.wire import PROTOCOL_VERSION

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.model.scenario import Scenario
    from capture.model.sensors import Counts, Floats

INTERVAL_S: Final = INTERVAL_US * 1e-6
SAMPLES_PER_FRAME: Final = round(FRAME_S / INTERVAL_S)
STEPS_PER_SAMPLE: Final = STEPS_PER_FRAME // SAMPLES_PER_FRAME
RING_SAMPLES: Final = 32_768
#: All channels are due in the first sample after a boot, as they are in every so many.
BOOT_SAMPLES: Final = math.lcm(SPEED_DIVISOR, FORCE_DIVISOR, GROUP_DIVISOR, TEMPERATURE_DIVISOR)
#: A logger that falls silent does so under load: at more than this.
LOAD_A: Final = 15.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What really went through the pack between the middles of two samples' windows."""

    charge_ah: float
    energy_wh: float


@dataclass(frozen=True, slots=True, eq=False)
class Sensed:
    """One frame as it was and as the sensors saw it: `counts` of each channel in the samples it is due in."""

    first_sample: int
    lived: Lived
    counts: tuple[Counts, ...]


def sense(scenario: Scenario) -> Iterator[Sensed]:
    """Yield the life of `scenario` frame by frame, for ever, with what each sensor put on the wire.

    A sample's window ends at its tick. Slow channels are due in the samples that their divisor divides,
    counted from the beginning of the life.
    """
    life, sensors = Life(scenario), sensors_for(scenario.pack.series)
    tachometer = Tachometer(scenario.tool.pulses_per_rev)
    random = np.random.default_rng([scenario.seed, 1])
    feed_before = np.zeros(FORCE_DIVISOR - 1)
    first = 0
    while True:
        lived = life.frame()
        index = np.arange(first, first + SAMPLES_PER_FRAME)
        feed = np.concatenate([feed_before, _per_sample(lived.feed_n)])
        feed_before = feed[-(FORCE_DIVISOR - 1) :]
        true = _true_readings(scenario, lived, index, feed, tachometer)
        counts = tuple(
            sensor.counts(values[index % sensor.channel.divisor == 0], random, scenario.imperfection.noise)
            for sensor, values in zip(sensors, true, strict=True)
        )
        yield Sensed(first, lived, counts)
        first += SAMPLES_PER_FRAME


def _true_readings(
    scenario: Scenario, lived: Lived, index: Counts, feed: Floats, tachometer: Tachometer
) -> list[Floats]:
    """Return what sensors without noise would read in each sample of a frame, channel by channel."""
    off = scenario.imperfection
    ends_s = lived.time_s + STEP_S
    sampled_s = ends_s[STEPS_PER_SAMPLE - 1 :: STEPS_PER_SAMPLE]
    due = index % SPEED_DIVISOR == 0
    speed = np.zeros(len(index))
    speed[due] = tachometer.readings(ends_s, lived.turns, sampled_s[due])
    steady = np.ones(len(index))
    force = np.convolve(feed, np.full(FORCE_DIVISOR, 1 / FORCE_DIVISOR), mode="valid")
    return [
        _per_sample(lived.current_a) * off.current_gain + off.current_offset_a,
        _per_sample(lived.pack_v) * off.voltage_gain + off.voltage_offset_v,
        speed,
        force + off.force_offset_n,
        steady * lived.pack_degc,
        steady * lived.ambient_degc,
        *_per_sample(lived.group_v),
    ]


def _per_sample(steps: Floats) -> Floats:
    """Return the mean of each sample's steps, the last axis shortened."""
    per_step = steps.reshape(*steps.shape[:-1], -1, STEPS_PER_SAMPLE)
    return np.asarray(per_step.sum(axis=-1) / STEPS_PER_SAMPLE)


class VirtualRig:
    """A pack on the saw with a logger on it. `receive` and `outgoing` are the wire, `advance_to` is time."""

    def __init__(self, scenario: Scenario, boot_id: int | None = None) -> None:
        self.scenario = scenario
        self.sensors = sensors_for(scenario.pack.series)
        identity = Identity(
            version=PROTOCOL_VERSION,
            command_id=0,
            boot_id=_boot_id(scenario.seed) if boot_id is None else boot_id,
            interval_ns=INTERVAL_US * 1000,
            ring_samples=RING_SAMPLES,
            channel_count=len(self.sensors),
            name=f"virtual pole saw, {scenario.pack.name}",
            firmware="virtual 1.0",
        )
        self.logger = VirtualLogger(identity, [sensor.channel for sensor in self.sensors])
        self._rows = RowLayer(self.sensors, SAMPLES_PER_FRAME)
        self._life = sense(scenario)
        self._next_sample = 0
        self._booted_at = 0
        self._silent = False

    @property
    def _answers(self) -> bool:
        """Whether the logger runs: it has not fallen silent, and is not just booting."""
        return not self._silent and self._next_sample >= self._booted_at

    def receive(self, received: bytes) -> None:
        """Take bytes from the host."""
        if self._answers:
            self.logger.receive(received)

    def outgoing(self, limit: int) -> bytes:
        """Return at most `limit` bytes for the host."""
        return self.logger.outgoing(limit) if self._answers else b""

    @property
    def started(self) -> bool:
        """Whether a host has started the stream, now or before: that is when the work begins."""
        return self._next_sample > 0 or self.logger.state is LoggerState.STREAMING

    def restart(self) -> None:
        """Cut the logger's power for a moment; pack and saw live on. It boots within 1.5 s."""
        self._booted_at = -(-self._next_sample // BOOT_SAMPLES) * BOOT_SAMPLES
        self.logger.restart((self.logger.identity.boot_id + 1) % 2**32)

    def advance_to(self, time_s: float) -> None:
        """Let the rig live until `time_s` after it was switched on, in whole frames."""
        while (self._next_sample + SAMPLES_PER_FRAME) * INTERVAL_S <= time_s:
            self._sample_frame()

    def truth(self, first_index: int, end_index: int) -> Truth:
        """Return what the samples from `first_index` up to, not including, `end_index` should show.

        A mean over a window stands for the window's middle, so the truth runs from the middle of the first
        sample's window to that of the last. Samples are counted from the beginning of the life.
        """
        first_step = first_index * STEPS_PER_SAMPLE + STEPS_PER_SAMPLE // 2
        end_step = (end_index - 1) * STEPS_PER_SAMPLE + STEPS_PER_SAMPLE // 2
        charge_c = energy_j = 0.0
        life = Life(self.scenario)
        for at in range(0, end_step, STEPS_PER_FRAME):
            lived = life.frame()
            part = slice(max(0, first_step - at), max(0, end_step - at))
            charge_c += float(lived.current_a[part].sum()) * STEP_S
            energy_j += float(lived.power_w[part].sum()) * STEP_S
        return Truth(ah_from_coulomb(charge_c), wh_from_joule(energy_j))

    def _sample_frame(self) -> None:
        sensed = next(self._life)
        index = self._next_sample - self._booted_at
        if index >= 0:
            rows = self._rows.rows(index, sensed.counts)
            self.logger.sample((index + 1) * INTERVAL_US, SAMPLES_PER_FRAME, rows)
        self._next_sample += SAMPLES_PER_FRAME
        silent_from_s = self.scenario.silent_from_s
        if silent_from_s is not None and self._next_sample * INTERVAL_S > silent_from_s:
            self._silent = self._silent or float(sensed.lived.current_a.mean()) > LOAD_A


def _boot_id(seed: int) -> int:
    """Return a boot id that differs from rig to rig: Knuth's multiplicative hash of the seed."""
    return seed * 2654435761 % 2**32
