"""The figures of the moment: means over the latest fifth of a second, and the rate of arrival."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.run import ELECTRICAL

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from capture.blocks import SampleBlock

WINDOW_US: Final = 200_000
RATE_WINDOW_S: Final = 2.0
OVERDUE_PERIODS: Final = 2


class Recent:
    """Keeps the blocks of the latest moment and when how many samples came.

    `periods_us` is how far apart the readings of each column are.
    """

    def __init__(self, periods_us: Mapping[str, int]) -> None:
        self._periods_us = periods_us
        self._latest: dict[str, tuple[int, float]] = {}
        self._blocks: deque[SampleBlock] = deque()
        self._arrivals: deque[tuple[float, int]] = deque()
        self.last_arrival: float | None = None

    def feed(self, block: SampleBlock, now: float) -> None:
        """Take samples that came at `now`; those older than the newest only count as having come."""
        self._arrivals.append((now, len(block)))
        self.last_arrival = now
        if self._blocks and block.ticks_us[-1] < self._blocks[-1].ticks_us[-1]:
            return
        self._blocks.append(block)
        self._note_latest(block)
        oldest = int(block.ticks_us[-1]) - WINDOW_US
        while self._blocks[0].ticks_us[-1] < oldest:
            self._blocks.popleft()

    def means(self) -> dict[str, float | None]:
        """Return the mean of each column over the latest fifth of a second.

        A column that is read less often has its latest reading instead, unless the next ones are overdue:
        then, and without any reading, it has None.
        """
        return {
            name: mean if (mean := _mean(readings)) is not None else self._latest_of(name)
            for name, readings in self._window().items()
        }

    def _latest_of(self, column: str) -> float | None:
        tick_us, reading = self._latest.get(column, (0, None))
        age_us = int(self._blocks[-1].ticks_us[-1]) - tick_us
        return reading if age_us <= OVERDUE_PERIODS * self._periods_us.get(column, 0) else None

    def _note_latest(self, block: SampleBlock) -> None:
        for name, readings in block.columns.items():
            at = np.flatnonzero(~np.isnan(readings))
            if len(at):
                self._latest[name] = (int(block.ticks_us[at[-1]]), float(readings[at[-1]]))

    def power_w(self) -> float | None:
        """Return the mean of voltage times current, sample by sample, over the same time."""
        window = self._window()
        if not window.keys() >= ELECTRICAL:
            return None
        return _mean(window["current_a"] * window["voltage_v"])

    def _window(self) -> dict[str, npt.NDArray[np.float64]]:
        if not self._blocks:
            return {}
        oldest = int(self._blocks[-1].ticks_us[-1]) - WINDOW_US
        parts = [(block, int(np.searchsorted(block.ticks_us, oldest))) for block in self._blocks]
        return {
            name: np.concatenate([block.columns[name][start:] for block, start in parts]).astype(np.float64)
            for name in self._blocks[-1].columns
        }

    def rate_hz(self, now: float) -> float:
        """Return the samples per second of host time over the last two seconds."""
        while self._arrivals and self._arrivals[0][0] < now - RATE_WINDOW_S:
            self._arrivals.popleft()
        if len(self._arrivals) < 2:  # noqa: PLR2004  one arrival has no rate
            return 0.0
        span = self._arrivals[-1][0] - self._arrivals[0][0]
        came_since = sum(count for _, count in self._arrivals) - self._arrivals[0][1]
        return came_since / span if span > 0 else 0.0


def _mean(readings: npt.NDArray[np.float64]) -> float | None:
    present = readings[~np.isnan(readings)]
    return float(present.mean()) if len(present) else None
