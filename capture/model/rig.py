"""The virtual rig: pack, tool, work and sensors behind the device side of the protocol, in virtual time.

Deterministic: the same scenario gives the same samples whatever the host does and however time is served.
Nothing is kept of what went by; the truth of any stretch is computed by living it again from the seed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.model.life import Life, Stretch
from capture.model.scenario import Imperfection, Scenario
from capture.model.sensors import ALL, INTERVAL_US, ON_A_BANK, SensorBoard, channels_of, rows_of
from capture.model.stops import Protection, Stop, StopCause
from capture.model.work import STEP_S, Cut, WorkKind
from capture.quantities import ah_from_coulomb, wh_from_joule
from firmware_protocol.messages import Identity
from firmware_protocol.states import LoggerState
from firmware_protocol.virtual_logger import VirtualLogger
from firmware_protocol.wire import PROTOCOL_VERSION

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import numpy.typing as npt

    from capture.model.load_bank import Duty
    from capture.model.pack import Pack

SAMPLES_PER_FRAME: Final = 25
RING_SAMPLES: Final = 32_768


@dataclass(frozen=True, slots=True)
class Truth:
    """What really went through the pack between the middles of two samples' windows.

    `energy_of_means_wh` is what a faultless logger of means can make of it: mean voltage times mean current.
    It is too high by the resistance times the variance of the chopped current within each window.
    """

    charge_ah: float
    energy_wh: float
    energy_of_means_wh: float


@dataclass(frozen=True, slots=True)
class Events:
    """What happened: cuts, and sudden stops with their causes. Times count from the life's beginning."""

    cuts: tuple[Cut, ...]
    stops: tuple[Stop, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Lived:
    """A stretch of a life and what each sensor made of it, counts of shape (sensors, steps)."""

    truth: Stretch
    counts: npt.NDArray[np.int64]


def live(scenario: Scenario) -> Iterator[Lived]:
    """Yield the life that a scenario determines, from its beginning, without end."""
    board = SensorBoard(scenario)
    for stretch in Life(scenario):
        yield Lived(stretch, board.counts(stretch))


class VirtualRig:
    """A pack on the saw, or on a `bank`, with a logger on it.

    `receive` and `outgoing` are the wire, `advance_to` is time.
    """

    def __init__(
        self,
        pack: Pack,
        seed: int,
        boot_id: int | None = None,
        *,
        work: str = WorkKind.CUTS,
        fault: str | None = None,
        charge: float | None = None,
        ambient_degc: float | None = None,
        imperfections: Mapping[str, Imperfection] | None = None,
        bank: Duty | None = None,
    ) -> None:
        self.scenario = Scenario(
            pack,
            seed,
            WorkKind(work),
            StopCause(fault or StopCause.NONE),
            charge,
            ambient_degc,
            imperfections or {},
            bank,
        )
        self._sensors = _sensors(self.scenario)
        self._boots = self.scenario.random(stream="boots")
        self.logger = _logger(self.scenario, self._next_boot_id() if boot_id is None else boot_id)
        self._life = live(self.scenario)
        self._ahead = next(self._life)
        self._next_sample = 0  # counted from the beginning of the life
        self._booted_at = 0
        self._silent = False

    def receive(self, received: bytes) -> None:
        """Take bytes from the host."""
        if not self._silent:
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
        while (self._next_sample + SAMPLES_PER_FRAME) * STEP_S <= time_s:
            self._sample_frame()

    def restart(self) -> None:
        """Let the logger lose its power for a moment: new boot id, index from 0. Pack and tool live on."""
        self._silent = False
        self.logger.restart(self._next_boot_id())
        self._booted_at = self._next_sample

    def lived(self, first_index: int, end_index: int) -> Iterator[Lived]:
        """Yield the stretches that hold the samples of this boot from `first_index` up to `end_index`."""
        first, end = self._booted_at + first_index, self._booted_at + end_index
        for lived in live(self.scenario):
            if lived.truth.first_sample >= end:
                return
            if lived.truth.first_sample + len(lived.truth.current_a) > first:
                yield lived

    def truth(self, first_index: int, end_index: int) -> Truth:
        """Return what this boot's samples from `first_index` up to, not including, `end_index` should show.

        A mean over a window stands for the window's middle, so the truth runs from the middle of the first
        sample's window to that of the last: half of either counts.
        """
        first, last = self._booted_at + first_index, self._booted_at + end_index - 1
        charge_c = energy_j = of_means_j = 0.0
        for stretch in self._past(end_index):
            sample = stretch.first_sample + np.arange(len(stretch.current_a))
            inside = ((sample >= first) & (sample < last)) * 0.5 + ((sample > first) & (sample <= last)) * 0.5
            charge_c += float(inside @ stretch.current_a) * STEP_S
            energy_j += float(inside @ stretch.power_w) * STEP_S
            of_means_j += float(inside @ (stretch.voltage_v * stretch.current_a)) * STEP_S
        return Truth(ah_from_coulomb(charge_c), wh_from_joule(energy_j), wh_from_joule(of_means_j))

    def events(self, end_index: int) -> Events:
        """Return what happened from the beginning of the life until sample `end_index` of this boot."""
        cuts: list[Cut] = []
        stops: list[Stop] = []
        for stretch in self._past(end_index):
            cuts += stretch.cuts
            stops += stretch.stops
        return Events(tuple(cuts), tuple(stops))

    def _past(self, end_index: int) -> Iterator[Stretch]:
        """Yield the whole life again until sample `end_index` of this boot."""
        end = self._booted_at + end_index
        return takewhile(lambda stretch: stretch.first_sample < end, Life(self.scenario))

    def _next_boot_id(self) -> int:
        return int(self._boots.integers(1, 1 << 32))

    def _sample_frame(self) -> None:
        at = self._next_sample - self._ahead.truth.first_sample
        counts = self._ahead.counts[:, at : at + SAMPLES_PER_FRAME]
        index = self._next_sample - self._booted_at
        if not self._silent:
            self.logger.sample(index * INTERVAL_US, SAMPLES_PER_FRAME, rows_of(counts, index, self._sensors))
        frame = range(self._next_sample, self._next_sample + SAMPLES_PER_FRAME)
        for stop in self._ahead.truth.stops:
            if stop.protection is Protection.LINK and round(stop.time_s / STEP_S) in frame:
                self._silent = True  # what waits in the logger's buffer still comes out, then nothing
        self._next_sample = frame.stop
        if at + SAMPLES_PER_FRAME == self._ahead.counts.shape[1]:
            self._ahead = next(self._life)


def _sensors(scenario: Scenario) -> npt.NDArray[np.intp]:
    return ALL if scenario.bank is None else ON_A_BANK


def _logger(scenario: Scenario, boot_id: int) -> VirtualLogger:
    what = "pole saw" if scenario.bank is None else "load bank"
    channels = channels_of(_sensors(scenario))
    identity = Identity(
        version=PROTOCOL_VERSION,
        command_id=0,
        boot_id=boot_id,
        interval_ns=INTERVAL_US * 1000,
        ring_samples=RING_SAMPLES,
        channel_count=len(channels),
        name=f"virtual {what}, {scenario.pack.name}",
        firmware="virtual 1.0",
    )
    return VirtualLogger(identity, channels)
