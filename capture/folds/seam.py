"""Seams: whether a block goes on from the one before, and which neighbouring readings a trapezoid may join.

Every fold that integrates asks here. Nothing is integrated across lost samples, a pause or a restart of the
logger. Blocks come from the grid, which cuts at such breaks: a break lies before a block's first row only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.blocks import Quality

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

_BREAK: Final = np.uint32(Quality.AFTER_GAP | Quality.AFTER_PAUSE)

#: So many readings in a row that were due and missing are bridged, where their samples arrived: a converter
#: that was not ready. What is silent for longer is not covered. Common practice, no source.
MOST_BRIDGED: Final = 3


@dataclass(frozen=True, slots=True)
class Seam:
    """Where a block ended: its segment and the index of the sample that would follow."""

    segment: int
    end_index: int


def behind(block: SampleBlock) -> Seam:
    """Return the seam behind `block`."""
    return Seam(block.segment, block.end_index)


def joins(seam: Seam | None, block: SampleBlock) -> bool:
    """Return whether `block` goes on from `seam` with nothing lost and no pause between."""
    here = Seam(block.segment, block.first_index)
    return seam == here and not block.quality[0] & _BREAK


def out_of_sight(seam: Seam | None, block: SampleBlock, now_us: int, most_us: int) -> bool:
    """Return whether nobody knows what went on between `seam`, at `now_us`, and `block`.

    That is so behind a pause of the logger, its restart, and lost samples for longer than `most_us`.
    """
    if seam is None or joins(seam, block):
        return False
    paused = block.segment != seam.segment or bool(block.quality[0] & np.uint32(Quality.AFTER_PAUSE))
    return paused or int(block.ticks_us[0]) - now_us > most_us


def breaks(block: SampleBlock) -> list[int]:
    """Return the rows of `block` before which samples were lost or the logger had paused."""
    return np.flatnonzero(block.quality & _BREAK).tolist()


def steps_s(ticks_us: Whole, indices: Whole, spacing: int) -> Floats:
    """Return the seconds between neighbouring readings, 0 where they may not be joined.

    `ticks_us` and `indices` (n) are those of readings between which no sample was lost; `spacing` is how
    many samples apart they are due. Steps over more than `MOST_BRIDGED` missing readings count nothing.
    """
    steps = np.maximum(np.diff(ticks_us), 0) * 1e-6
    near = np.diff(indices) <= (MOST_BRIDGED + 1) * spacing
    return np.where(near, steps, 0.0)
