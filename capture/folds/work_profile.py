"""The course of one cut in little: mean current and speed in bins of 20 ms, wider in long ones.

Bins lie at multiples of their width on the run's ticks, so that they do not depend on where blocks are cut.
When there are too many, neighbours are joined and the width doubles: the memory of a cut is bounded.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import Readings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

FIRST_BIN_US: Final = 20_000
MOST_BINS: Final = 2048


@dataclass(frozen=True, slots=True, eq=False)
class WorkProfile:
    """Bins so far: `numbers` (n, rising; tick over width), and of each the sums and counts (n, 2).

    Column 0 is the current in A, column 1 the speed in rpm.
    """

    bin_us: int = FIRST_BIN_US
    numbers: Whole = field(default_factory=lambda: np.empty(0, np.int64))
    sums: Floats = field(default_factory=lambda: np.empty((0, 2)))
    counts: Floats = field(default_factory=lambda: np.empty((0, 2)))

    @property
    def middles_us(self) -> Floats:
        """The middle of each bin in ticks (n)."""
        return np.asarray((self.numbers.astype(np.float64) + 0.5) * self.bin_us, np.float64)

    @property
    def current_a(self) -> Floats:
        """The mean current of each bin (n), NaN where it was not read."""
        return self._means(0)

    @property
    def speed_rpm(self) -> Floats:
        """The mean speed of each bin (n), NaN where it was not read."""
        return self._means(1)

    def _means(self, column: int) -> Floats:
        with np.errstate(invalid="ignore"):
            means: Floats = self.sums[:, column] / self.counts[:, column]
        return means

    def plus(self, ticks_us: Whole, current_a: Readings, speed_rpm: Readings | None) -> WorkProfile:
        """Return the profile with the next samples (m)."""
        if len(ticks_us) == 0:
            return self
        readings = np.full((len(ticks_us), 2), np.nan)
        readings[:, 0] = current_a
        if speed_rpm is not None:
            readings[:, 1] = speed_rpm
        known = ~np.isnan(readings)
        grown = _joined(
            self.bin_us,
            np.concatenate([self.numbers, ticks_us // self.bin_us]),
            np.concatenate([self.sums, np.where(known, readings, 0.0)]),
            np.concatenate([self.counts, known.astype(np.float64)]),
        )
        while len(grown.numbers) > MOST_BINS:
            grown = _joined(grown.bin_us * 2, grown.numbers // 2, grown.sums, grown.counts)
        return grown

    def until(self, end_us: int) -> WorkProfile:
        """Return the bins that begin before a tick."""
        kept = int(np.searchsorted(self.numbers * self.bin_us, end_us))
        return replace(self, numbers=self.numbers[:kept], sums=self.sums[:kept], counts=self.counts[:kept])


def _joined(bin_us: int, numbers: Whole, sums: Floats, counts: Floats) -> WorkProfile:
    """Return a profile in which rows of the same number are one bin."""
    starts = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
    return WorkProfile(
        bin_us, numbers[starts], np.add.reduceat(sums, starts), np.add.reduceat(counts, starts)
    )
