"""The overview of a run: minimum and maximum of a few channels in bins over all of it, in one pass.

Memory is constant: when the bins are full, neighbours are joined and each bin is twice as long. So no peak is
lost, whatever the length of the run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]

BINS: Final = 2048
FIRST_BIN_US: Final = 25_000


@dataclass(frozen=True, slots=True)
class Overview:
    """Minimum and maximum per bin of `bin_s` seconds, from the first sample on.

    `lowest` and `highest` map a column to n float64 values, NaN in bins without a reading.
    """

    bin_s: float
    lowest: Mapping[str, Floats]
    highest: Mapping[str, Floats]


class OverviewBuilder:
    """Takes ordered blocks and keeps the extremes of `columns`, as far as a block has them."""

    def __init__(self, columns: Iterable[str]) -> None:
        self._columns = tuple(columns)
        self._lowest = {name: np.full(BINS, np.nan) for name in self._columns}
        self._highest = {name: np.full(BINS, np.nan) for name in self._columns}
        self._bin_us = FIRST_BIN_US
        self._first_us: int | None = None
        self._used = 0

    def feed(self, block: SampleBlock) -> None:
        """Take the samples of one more block."""
        if len(block) == 0:
            return
        if self._first_us is None:
            self._first_us = int(block.ticks_us[0])
        while (int(block.ticks_us[-1]) - self._first_us) // self._bin_us >= BINS:
            self._join_neighbours()
        bins = (block.ticks_us - self._first_us) // self._bin_us
        starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
        slots = bins[starts]
        for name in self._columns:
            readings = block.columns.get(name)
            if readings is not None:
                low, high = self._lowest[name], self._highest[name]
                low[slots] = np.fmin(low[slots], np.fmin.reduceat(readings, starts))
                high[slots] = np.fmax(high[slots], np.fmax.reduceat(readings, starts))
        self._used = int(bins[-1]) + 1

    def _join_neighbours(self) -> None:
        self._bin_us *= 2
        for join, kept in ((np.fmin, self._lowest), (np.fmax, self._highest)):
            for bins in kept.values():
                bins[: BINS // 2] = join(bins[0::2], bins[1::2])
                bins[BINS // 2 :] = np.nan

    def overview(self) -> Overview:
        """Return the bins up to the last sample."""
        return Overview(
            self._bin_us * 1e-6,
            {name: bins[: self._used].copy() for name, bins in self._lowest.items()},
            {name: bins[: self._used].copy() for name, bins in self._highest.items()},
        )
