"""The figures of the moment: means over the latest fifth of a second, and the rate of arrival."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.run import ELECTRICAL

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

WINDOW_US: Final = 200_000
RATE_WINDOW_S: Final = 2.0


class Recent:
    """Keeps the blocks of the latest moment and when how many samples came."""

    def __init__(self) -> None:
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
        oldest = int(block.ticks_us[-1]) - WINDOW_US
        while self._blocks[0].ticks_us[-1] < oldest:
            self._blocks.popleft()

    def means(self) -> dict[str, float | None]:
        """Return the mean of each column over the latest fifth of a second, None without a reading."""
        return {name: _mean(readings) for name, readings in self._window().items()}

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
        span = now - self._arrivals[0][0]
        return sum(count for _, count in self._arrivals) / span if span > 0 else 0.0


def _mean(readings: npt.NDArray[np.float64]) -> float | None:
    present = readings[~np.isnan(readings)]
    return float(present.mean()) if len(present) else None
