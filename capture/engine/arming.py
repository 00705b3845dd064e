"""Arming: a load that sets in starts a recording, and a while after it has gone the recording ends.

The tail is part of the measurement: a pack recovers for a minute or so. Loads are told as the cuts are: by
the current, with their hysteresis and hold; all by the logger's clock.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.hysteresis import HOLD_US, Load, follow

if TYPE_CHECKING:
    from capture.blocks import SampleBlock

#: How long a recording goes on after the load has gone, for the pack to recover. Common practice, no source.
TAIL_S: Final = 60.0
#: A load lasts longer than a spark or a spike on the line.
LEAST_LOAD_US: Final = 50_000


class Arming:
    """Follows the load; `armed` is what the operator wants."""

    def __init__(self, *, armed: bool, tail_s: float = TAIL_S) -> None:
        self.armed = armed
        self._tail_us = round(tail_s * 1e6)
        self._load = Load()
        self._began_us: int | None = None
        self._latest_us: int | None = None
        self._idle_from_us: int | None = None
        self._follows: tuple[int, int] | None = None
        self._now_us: int | None = None
        self._not_before_us: int | None = None

    def feed(self, block: SampleBlock) -> None:
        """Take samples as they come; those older than the newest tell nothing new."""
        ticks, current = block.ticks_us, block.columns.get("current_a")
        if current is None or (self._now_us is not None and int(ticks[-1]) <= self._now_us):
            return
        if self._load.drawing and (block.segment, block.first_index) != self._follows:
            self._latest_us = int(ticks[0])  # nobody saw the load go: a hole in the samples is no pause
        self._now_us, self._follows = int(ticks[-1]), (block.segment, block.end_index)
        self._load, load = follow(self._load, block)
        loaded = ticks[load.rows[load.drawing]]
        if len(loaded):
            self._note_load(loaded)

    def _note_load(self, ticks_us: np.ndarray[tuple[int], np.dtype[np.int64]]) -> None:
        """Take note of samples under load: the newest stretch of them is the load of the moment."""
        breaks = np.flatnonzero(np.diff(ticks_us) > HOLD_US)
        if len(breaks):
            self._began_us, self._idle_from_us = int(ticks_us[breaks[-1] + 1]), int(ticks_us[breaks[-1]])
        elif self._latest_us is None or int(ticks_us[0]) - self._latest_us > HOLD_US:
            self._began_us, self._idle_from_us = int(ticks_us[0]), self._latest_us
        self._latest_us = int(ticks_us[-1])

    def arm(self, *, armed: bool) -> None:
        """Let loads that set in from now on start a recording, or not."""
        self.armed = armed
        self._not_before_us = self._now_us

    @property
    def load_set_in(self) -> bool:
        """Whether a load has set in that is to start a recording."""
        began, latest = self._began_us, self._latest_us
        if not self.armed or began is None or latest is None:
            return False
        is_new = self._not_before_us is None or began > self._not_before_us
        return is_new and latest - began >= LEAST_LOAD_US

    @property
    def idle_from_us(self) -> int | None:
        """The last tick of the load before the newest one, None where there was none."""
        return self._idle_from_us

    def started(self) -> None:
        """Take note that the load of the moment has its recording: only the next one starts another."""
        self._not_before_us = self._now_us

    @property
    def ends_in_s(self) -> float | None:
        """Seconds until the tail is over, None while there is load."""
        if self._now_us is None or self._latest_us is None or self._now_us - self._latest_us <= HOLD_US:
            return None
        return max(0.0, (self._latest_us + self._tail_us - self._now_us) * 1e-6)
