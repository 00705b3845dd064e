"""Means of a logger's channels over some seconds, as the logger gives them: what a calibration is made of."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from capture.engine.conversation import Conversation
from capture.errors import LinkLost
from capture.path import LoggerDescription, SamplePath
from firmware_protocol.host_link import Described

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

    from capture.blocks import SampleBlock
    from capture.links.address import Link

_TURN_S: Final = 0.05
_ANSWERS_WITHIN_S: Final = 10.0
#: A logger whose time stands still would be waited for for ever.
_PATIENCE: Final = 5.0
_CATCH_UP_S: Final = 0.3
#: Common practice, no source.
_DRIFT_SIGMAS: Final = 5.0
_DRIFT_SHARE: Final = 0.01


@dataclass(frozen=True, slots=True)
class Average:
    """Mean of a channel in its unit over `seconds`, scatter of one reading, drift from first to last third.

    `u` is the standard uncertainty of the mean: the scatter over the root of the readings, and the drift as a
    rectangle (JCGM 100:2008, 4.2.3 and 4.3.7).
    """

    mean: float
    scatter: float
    drift: float
    readings: int
    seconds: float

    @property
    def is_still(self) -> bool:
        """Whether it drifts no more than its noise explains, or than a hundredth of itself."""
        by_noise = _DRIFT_SIGMAS * self.scatter / (self.readings / 3) ** 0.5
        return bool(self.drift <= max(by_noise, _DRIFT_SHARE * abs(self.mean)))

    @property
    def u(self) -> float:
        """The standard uncertainty of the mean."""
        return float(np.hypot(self.scatter / self.readings**0.5, self.drift / 12**0.5))


class ListeningLogger:
    """A logger that streams and is only listened to; use as a context: it is stopped on leaving."""

    def __init__(self, link: Link) -> None:
        self._conversation = Conversation(link)
        self._path: SamplePath | None = None
        self._where = link.address

    def __enter__(self) -> Self:
        """Open the link and start the stream; raises LinkError."""
        self._conversation.open()
        give_up = time.monotonic() + _ANSWERS_WITHIN_S
        while self._path is None:
            self._take_turn()
            if time.monotonic() > give_up:
                self._conversation.close()
                raise LinkLost("did not describe itself", self._where, "Check that it is a logger.")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop the stream and let go of the link."""
        self._conversation.close()

    @property
    def logger(self) -> LoggerDescription:
        """Who it is and what its channels are."""
        assert self._path is not None  # noqa: S101  only within the context
        return self._path.logger

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of its channels, in order."""
        assert self._path is not None  # noqa: S101
        return tuple(self._path.decoder.columns)

    def averages(
        self, seconds: float, progress: Callable[[float], None] = lambda _done_s: None
    ) -> dict[str, Average]:
        """Return the mean of each channel over the next `seconds` of the logger's time.

        A channel without a reading in that time is left out. What came while nobody listened is passed over.
        Raises LinkError where the stream breaks off.
        """
        self._catch_up()
        blocks: list[SampleBlock] = []
        first_us: int | None = None
        give_up = time.monotonic() + _ANSWERS_WITHIN_S + _PATIENCE * seconds
        while True:
            for block in self._take_turn():
                blocks.append(block)
                first_us = int(block.ticks_us[0]) if first_us is None else first_us
            if blocks and first_us is not None:
                done_s = (int(blocks[-1].ticks_us[-1]) - first_us) * 1e-6
                progress(min(done_s, seconds))
                if done_s >= seconds:
                    return _averages(blocks, first_us, seconds)
            if time.monotonic() > give_up:
                raise LinkLost("sends no samples", self._where, "Check the logger and its cable.")

    def _catch_up(self) -> None:
        """Take what waits: a person at the keyboard thinks for minutes, and the stream runs on meanwhile."""
        give_up = time.monotonic() + _CATCH_UP_S
        while time.monotonic() < give_up:
            while self._take_turn(0.0):
                pass
            time.sleep(_TURN_S)

    def _take_turn(self, timeout_s: float = _TURN_S) -> list[SampleBlock]:
        """Return the samples that a turn brought."""
        turn = self._conversation.turn(timeout_s)
        for event in turn.events:
            if isinstance(event, Described) and self._path is None:
                logger = LoggerDescription(event.identity, event.channels, self._where)
                self._path = SamplePath(logger)
                self._conversation.start()
        if turn.failure is not None:
            raise turn.failure
        return [] if self._path is None else self._path.receive(turn.events, turn.host_ns).fresh


def _averages(blocks: list[SampleBlock], first_us: int, seconds: float) -> dict[str, Average]:
    ticks = np.concatenate([block.ticks_us for block in blocks])
    inside = ticks <= first_us + seconds * 1e6
    found = {}
    for name in blocks[0].columns:
        readings = np.concatenate([block.columns[name] for block in blocks])[inside].astype(np.float64)
        readings = readings[~np.isnan(readings)]
        if len(readings) == 0:
            continue
        third = max(1, len(readings) // 3)
        drift = float(readings[-third:].mean() - readings[:third].mean())
        scatter = float(readings.std(ddof=1)) if len(readings) > 1 else 0.0
        found[name] = Average(float(readings.mean()), scatter, abs(drift), len(readings), seconds)
    return found
