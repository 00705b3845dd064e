"""What became of the samples: rows, what their quality bits say, and readings that were due and missing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from capture.blocks import Quality

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.blocks import SampleBlock


@dataclass(frozen=True, slots=True)
class Accounting:
    """Counts so far: rows, rows with each quality bit, and per column the due readings that are missing."""

    rows: int = 0
    clipped: int = 0
    after_gap: int = 0
    after_pause: int = 0
    missing: Mapping[str, int] = field(default_factory=dict)


def update(state: Accounting, block: SampleBlock, divisors: Mapping[str, int]) -> Accounting:
    """Return the state after `block`; a column that `divisors` does not name is due in every sample."""
    missing = dict(state.missing)
    for name, column in block.columns.items():
        divisor = divisors.get(name, 1)
        due = column[-block.first_index % divisor :: divisor]
        missing[name] = missing.get(name, 0) + int(np.count_nonzero(np.isnan(due)))
    return Accounting(
        state.rows + len(block),
        state.clipped + _count(block, Quality.CLIPPED),
        state.after_gap + _count(block, Quality.AFTER_GAP),
        state.after_pause + _count(block, Quality.AFTER_PAUSE),
        missing,
    )


def _count(block: SampleBlock, bit: Quality) -> int:
    return int(np.count_nonzero(block.quality & np.uint32(bit)))
