"""SampleBlock: consecutive samples as arrays, the one form in which readings travel through the house."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntFlag
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    Ticks = npt.NDArray[np.int64]
    Readings = npt.NDArray[np.float32] | npt.NDArray[np.float64]
    QualityBits = npt.NDArray[np.uint32]
    Flags = npt.NDArray[np.bool_]


class Quality(IntFlag):
    """Bits of a row's quality."""

    AFTER_GAP = 1  # samples before this row were lost
    CLIPPED = 2  # a channel stood at an end of its range
    AFTER_PAUSE = 4  # the logger was stopped and started again before this row
    AFTER_RESTART = 8  # the logger lost its power or began anew before this row


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Samples of one segment whose indices follow one another without a gap.

    `ticks_us` (int64) are the logger's microseconds, made whole again and rising over the whole run;
    `columns` maps a column name to n readings (float32, or float64 where counts exceed 24 bits), calibrated,
    NaN where there is none; `quality` holds `Quality` bits (uint32). `clipped` has, for each column that
    stood at an end of its range, the rows in which it did; blocks read from a file have none, the document
    beside them tells. A segment is one boot of the logger, counted from 0.
    """

    segment: int
    first_index: int
    ticks_us: Ticks
    columns: Mapping[str, Readings]
    quality: QualityBits
    clipped: Mapping[str, Flags] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.ticks_us)

    @property
    def end_index(self) -> int:
        """Index of the sample that would follow."""
        return self.first_index + len(self.ticks_us)

    def part(self, start: int, stop: int) -> SampleBlock:
        """Return rows `start` to `stop` as a block of views."""
        return SampleBlock(
            self.segment,
            self.first_index + start,
            self.ticks_us[start:stop],
            {name: readings[start:stop] for name, readings in self.columns.items()},
            self.quality[start:stop],
            {name: rows[start:stop] for name, rows in self.clipped.items()},
        )

    def between(self, first_index: int, end_index: int) -> SampleBlock:
        """Return the samples from `first_index` up to, not including, `end_index`; both lie in the block."""
        return self.part(first_index - self.first_index, end_index - self.first_index)

    def follows(self, earlier: SampleBlock) -> bool:
        """Return whether this block continues `earlier` without a gap."""
        return self.segment == earlier.segment and self.first_index == earlier.end_index


def join(blocks: list[SampleBlock]) -> SampleBlock:
    """Return blocks that follow one another as one block."""
    if len(blocks) == 1:
        return blocks[0]
    first = blocks[0]
    return SampleBlock(
        first.segment,
        first.first_index,
        np.concatenate([block.ticks_us for block in blocks]),
        {name: np.concatenate([block.columns[name] for block in blocks]) for name in first.columns},
        np.concatenate([block.quality for block in blocks]),
        _join_clipped(blocks),
    )


def _join_clipped(blocks: list[SampleBlock]) -> dict[str, Flags]:
    names = {name for block in blocks for name in block.clipped}
    return {
        name: np.concatenate([block.clipped.get(name, np.zeros(len(block), dtype=bool)) for block in blocks])
        for name in names
    }
