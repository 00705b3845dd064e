"""The grid: blocks re-cut at fixed sample indices, so that sums do not depend on how bytes arrived."""

from __future__ import annotations

from typing import Final

from capture.blocks import SampleBlock, join
from capture.folds.seam import breaks

GRID_SAMPLES: Final = 1024


class Grid:
    """Collects blocks and gives them back cut at multiples of `cell_samples`, at gaps and at pauses.

    Which cuts come out depends on the samples alone. At most one cell of samples waits inside.
    """

    def __init__(self, cell_samples: int = GRID_SAMPLES) -> None:
        self._cell_samples = cell_samples
        self._waiting: list[SampleBlock] = []

    def feed(self, block: SampleBlock) -> list[SampleBlock]:
        """Return the cells that `block` completes, in order."""
        cells: list[SampleBlock] = []
        start = 0
        for stop in (*breaks(block), len(block)):
            if stop > start:
                cells += self._feed_unbroken(block.part(start, stop))
            if stop < len(block) and self._waiting:
                cells.append(self._take_waiting())
            start = stop
        return cells

    def tail(self) -> SampleBlock | None:
        """Return the samples of the unfinished cell, which stay inside."""
        return join(self._waiting) if self._waiting else None

    def _feed_unbroken(self, block: SampleBlock) -> list[SampleBlock]:
        cells: list[SampleBlock] = []
        if self._waiting and not block.follows(self._waiting[-1]):
            cells.append(self._take_waiting())
        start = 0
        while start < len(block):
            to_boundary = self._cell_samples - (block.first_index + start) % self._cell_samples
            stop = min(start + to_boundary, len(block))
            self._waiting.append(block.part(start, stop))
            if stop - start == to_boundary:
                cells.append(self._take_waiting())
            start = stop
        return cells

    def _take_waiting(self) -> SampleBlock:
        cell = join(self._waiting)
        self._waiting = []
        return cell
