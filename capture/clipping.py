"""Where each channel stood at an end of its range, as ranges of sample indices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from capture.blocks import SampleBlock

#: A channel that clips more often than this is broken, not informative; the count of rows goes on.
MOST_RANGES: Final = 1000


class ClippedRanges:
    """Collects, per column, the clipped stretches as (segment, first index, end index)."""

    def __init__(self) -> None:
        self.ranges: dict[str, list[tuple[int, int, int]]] = {}

    def feed(self, block: SampleBlock) -> None:
        """Take one block; blocks in which nothing clips cost nothing."""
        for column, rows in block.clipped.items():
            edges = np.flatnonzero(np.diff(np.concatenate([[False], rows, [False]])))
            for start, stop in edges.reshape(-1, 2).tolist():
                self._add(column, block.segment, block.first_index + start, block.first_index + stop)

    def _add(self, column: str, segment: int, first: int, end: int) -> None:
        ranges = self.ranges.setdefault(column, [])
        if ranges and ranges[-1][0] == segment and ranges[-1][2] == first:
            ranges[-1] = (segment, ranges[-1][1], end)
        elif len(ranges) < MOST_RANGES:
            ranges.append((segment, first, end))
