"""The envelope: minimum and maximum of each channel per time bin over the latest minute, for the charts.

No peak is ever skipped, whatever the width of the chart; memory is constant, work is constant per sample.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from capture.engine.snapshot import ChartWindow

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.blocks import SampleBlock

BIN_US: Final = 25_000
BINS: Final = 2400


class Envelope:
    """A ring of time bins for each column; `at` is the newest bin."""

    def __init__(self, columns: Iterable[str]) -> None:
        self._lowest = {name: np.full(BINS, np.nan) for name in columns}
        self._highest = {name: np.full(BINS, np.nan) for name in columns}
        self._newest: int | None = None
        self._oldest = 0

    @property
    def first_tick_us(self) -> int:
        """Where the oldest bin begins."""
        return self._oldest * BIN_US

    def feed(self, block: SampleBlock) -> None:
        """Take samples; those that come late join their bins, those of bins long gone are passed over."""
        bins = block.ticks_us // BIN_US
        newest = self._advance(int(bins[0]), int(bins[-1]))
        gone = int(np.searchsorted(bins, newest - BINS + 1))
        if gone == len(block):
            return
        block, bins = block.part(gone, len(block)), bins[gone:]
        starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
        slots = bins[starts] % BINS
        for name, readings in block.columns.items():
            lowest = np.fmin.reduceat(readings, starts)
            highest = np.fmax.reduceat(readings, starts)
            self._lowest[name][slots] = np.fmin(self._lowest[name][slots], lowest)
            self._highest[name][slots] = np.fmax(self._highest[name][slots], highest)

    def window(
        self, origin_us: int, marks_us: Iterable[int] = (), provisional_from_us: int | None = None
    ) -> ChartWindow | None:
        """Return the bins so far, times counted from `origin_us`; None before the first sample."""
        if self._newest is None:
            return None
        first = max(self._oldest, self._newest - BINS + 1)
        slots = np.arange(first, self._newest + 1) % BINS
        return ChartWindow(
            end_s=((self._newest + 1) * BIN_US - origin_us) * 1e-6,
            bin_s=BIN_US * 1e-6,
            lowest={name: bins[slots] for name, bins in self._lowest.items()},
            highest={name: bins[slots] for name, bins in self._highest.items()},
            marks_s=tuple((mark - origin_us) * 1e-6 for mark in marks_us if mark >= first * BIN_US),
            provisional_from_s=None
            if provisional_from_us is None
            else (provisional_from_us - origin_us) * 1e-6,
        )

    def _advance(self, first: int, last: int) -> int:
        """Make room for the bins `first` to `last`, clear those that time moved past, return the newest."""
        if self._newest is None:
            self._oldest, self._newest = first, first - 1
        cleared = np.arange(max(self._newest + 1, last - BINS + 1), last + 1) % BINS
        for bins in (*self._lowest.values(), *self._highest.values()):
            bins[cleared] = np.nan
        self._newest = max(self._newest, last)
        if first > self._newest - BINS:
            self._oldest = min(self._oldest, first)
        return self._newest
