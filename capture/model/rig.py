"""The virtual rig: pack, work and sensors behind the device side of the protocol, in virtual time.

Deterministic: the same pack and seed give the same samples whatever the host does and however time is
served. Nothing is kept of what went by; the truth of any stretch is computed by living it again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.model.sensors import INTERVAL_US, SENSORS
from capture.model.work import CuttingLoad
from capture.quantities import ah_from_coulomb, wh_from_joule
from firmware_protocol.messages import Identity
from firmware_protocol.states import LoggerState
from firmware_protocol.virtual_logger import VirtualLogger
from firmware_protocol.wire import PROTOCOL_VERSION

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from capture.model.pack import Pack

SAMPLES_PER_FRAME: Final = 25
RING_SAMPLES: Final = 32_768
_STEPS_PER_SAMPLE: Final = 8
_INTERVAL_S: Final = INTERVAL_US * 1e-6
_STEP_S: Final = _INTERVAL_S / _STEPS_PER_SAMPLE


@dataclass(frozen=True, slots=True)
class Truth:
    """What really went through the pack between the middles of two samples' windows."""

    charge_ah: float
    energy_wh: float


@dataclass(frozen=True, slots=True)
class _Lived:
    """True current and voltage at each step of some samples, shape (samples, steps)."""

    current_a: npt.NDArray[np.float64]
    voltage_v: npt.NDArray[np.float64]


def _live(pack: Pack, seed: int) -> Iterator[_Lived]:
    """Yield the pack's life under the work, one frame of samples after the other, for ever.

    A pack that falls below its cut-off switches off for good and carries nothing from then on.
    """
    load = CuttingLoad(seed)
    drawn_c = 0.0
    sample = 0
    switched_off = False
    while True:
        steps = np.arange(SAMPLES_PER_FRAME * _STEPS_PER_SAMPLE)
        # a sample's window ends at its tick, so the steps of sample k lie in the interval before k
        times_s = (sample - 1) * _INTERVAL_S + (steps + 0.5) * _STEP_S
        current = np.zeros(len(times_s)) if switched_off else load.current(np.maximum(times_s, 0.0))
        voltage = pack.voltage(current, _drawn(current, drawn_c))
        low = np.flatnonzero(voltage < pack.cutoff_v)
        if len(low) and not switched_off:
            switched_off = True
            current[low[0] + 1 :] = 0.0
            voltage = pack.voltage(current, _drawn(current, drawn_c))
        drawn_c += float(current.sum()) * _STEP_S
        sample += SAMPLES_PER_FRAME
        shape = (SAMPLES_PER_FRAME, _STEPS_PER_SAMPLE)
        yield _Lived(current.reshape(shape), voltage.reshape(shape))


def _drawn(current_a: npt.NDArray[np.float64], before_c: float) -> npt.NDArray[np.float64]:
    """Return the charge drawn by the middle of each step."""
    return np.asarray(before_c + (np.cumsum(current_a) - 0.5 * current_a) * _STEP_S)


class VirtualRig:
    """A pack on the saw with a logger on it. `receive` and `outgoing` are the wire, `advance_to` is time."""

    def __init__(self, pack: Pack, seed: int, boot_id: int = 1) -> None:
        self.pack = pack
        self.seed = seed
        identity = Identity(
            version=PROTOCOL_VERSION,
            command_id=0,
            boot_id=boot_id,
            interval_ns=INTERVAL_US * 1000,
            ring_samples=RING_SAMPLES,
            channel_count=len(SENSORS),
            name=f"virtual pole saw, {pack.name}",
            firmware="virtual 0.1",
        )
        self.logger = VirtualLogger(identity, [sensor.channel for sensor in SENSORS])
        self._life = _live(pack, seed)
        self._noise = np.random.default_rng([seed, 1])
        self._next_sample = 0

    def receive(self, received: bytes) -> None:
        """Take bytes from the host."""
        self.logger.receive(received)

    def outgoing(self, limit: int) -> bytes:
        """Return at most `limit` bytes for the host."""
        return self.logger.outgoing(limit)

    @property
    def started(self) -> bool:
        """Whether a host has started the stream, now or before: that is when the work begins."""
        return self._next_sample > 0 or self.logger.state is LoggerState.STREAMING

    def advance_to(self, time_s: float) -> None:
        """Let the rig live until `time_s` after it was switched on, in whole frames."""
        while (self._next_sample + SAMPLES_PER_FRAME) * _INTERVAL_S <= time_s:
            self._sample_frame()

    def truth(self, first_index: int, end_index: int) -> Truth:
        """Return what the samples from `first_index` up to, not including, `end_index` should show.

        A mean over a window stands for the window's middle, so the truth runs from the middle of the first
        sample's window to that of the last.
        """
        first_step = first_index * _STEPS_PER_SAMPLE + _STEPS_PER_SAMPLE // 2
        end_step = (end_index - 1) * _STEPS_PER_SAMPLE + _STEPS_PER_SAMPLE // 2
        charge_c = energy_j = 0.0
        at = 0
        for lived in _live(self.pack, self.seed):
            current = lived.current_a.ravel()
            part = slice(max(0, first_step - at), max(0, end_step - at))
            charge_c += float(current[part].sum()) * _STEP_S
            energy_j += float((current * lived.voltage_v.ravel())[part].sum()) * _STEP_S
            at += len(current)
            if at >= end_step:
                break
        return Truth(ah_from_coulomb(charge_c), wh_from_joule(energy_j))

    def _sample_frame(self) -> None:
        lived = next(self._life)
        means = (lived.current_a.mean(axis=1), lived.voltage_v.mean(axis=1))
        current, voltage = (
            sensor.counts(mean, self._noise) for sensor, mean in zip(SENSORS, means, strict=True)
        )
        rows = np.empty(SAMPLES_PER_FRAME, dtype=[("current", "<i2"), ("voltage", "<u2")])
        rows["current"], rows["voltage"] = current, voltage
        self.logger.sample(self._next_sample * INTERVAL_US, SAMPLES_PER_FRAME, rows.tobytes())
        self._next_sample += SAMPLES_PER_FRAME
