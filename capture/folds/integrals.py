"""Every channel by itself: the integral over its own readings, time covered, mean, lowest and highest.

The trapezoid joins neighbouring readings of one channel, which are one divisor apart; a channel that was
due and has no reading is bridged as `seam.steps_s` says. So a mean is weighted by time and leaves
out what nobody measured; `covered_s` tells how much of the run it stands for. Sums are in float64.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from capture.folds.seam import Seam, behind, joins, steps_s

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.blocks import Readings, SampleBlock


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one channel: where it stands and what it said."""

    index: int
    tick_us: int
    value: float


@dataclass(frozen=True, slots=True)
class ChannelIntegral:
    """One channel so far: `integral` in its unit times seconds over `covered_s`; None before a reading."""

    integral: float = 0.0
    covered_s: float = 0.0
    lowest: float | None = None
    highest: float | None = None
    readings: int = 0
    last: Reading | None = None

    @property
    def mean(self) -> float | None:
        """Time-weighted mean over the time covered; None where two neighbouring readings never met."""
        return self.integral / self.covered_s if self.covered_s > 0 else None

    def extended(
        self, block: SampleBlock, column: Readings, divisor: int, *, joined: bool
    ) -> ChannelIntegral:
        """Return this channel after `column`, its readings in `block` (NaN where there is none).

        `divisor` is how many samples apart its readings are due; `joined` whether the block goes on from
        the last reading.
        """
        rows = np.flatnonzero(~np.isnan(column))
        last = self.last if joined else None
        if len(rows) == 0:
            return replace(self, last=last)
        values = column[rows].astype(np.float64)
        ticks, indices = block.ticks_us[rows], block.first_index + rows
        lowest, highest = float(values.min()), float(values.max())
        if last is not None:
            values = np.concatenate([[last.value], values])
            ticks = np.concatenate([[last.tick_us], ticks])
            indices = np.concatenate([[last.index], indices])
        steps = steps_s(ticks, indices, divisor)
        return ChannelIntegral(
            self.integral + float(((values[1:] + values[:-1]) * 0.5 * steps).sum()),
            self.covered_s + float(steps.sum()),
            lowest if self.lowest is None else min(self.lowest, lowest),
            highest if self.highest is None else max(self.highest, highest),
            self.readings + len(rows),
            Reading(int(indices[-1]), int(ticks[-1]), float(values[-1])),
        )


@dataclass(frozen=True, slots=True)
class Integrals:
    """All channels so far, by column."""

    channels: Mapping[str, ChannelIntegral] = field(default_factory=dict)
    seam: Seam | None = None


def update(state: Integrals, block: SampleBlock, divisors: Mapping[str, int]) -> Integrals:
    """Return the state after `block`; a column that `divisors` does not name is due in every sample."""
    joined = joins(state.seam, block)
    channels = dict(state.channels)
    for name, column in block.columns.items():
        known = channels.get(name, ChannelIntegral())
        channels[name] = known.extended(block, column, divisors.get(name, 1), joined=joined)
    return Integrals(channels, behind(block))
