"""The course of a stretch of work: current and speed in bins of 20 ms, as much as its phases need.

Bounded: beyond `MOST_BINS` bins two become one, so a stretch of minutes is known in wider bins.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.speed import SPEED

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]

BIN_US: Final = 20_000
MOST_BINS: Final = 4096
_SUMS: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Sums of the readings in each bin from `start_us` on.

    `sums` has shape (bins, 4): sum and count of the current in A, sum and count of the speed in rpm.
    """

    start_us: int
    width_us: int = BIN_US
    sums: Floats = field(default_factory=lambda: np.empty((0, _SUMS)))

    def plus(self, block: SampleBlock) -> Course:
        """Return the course with the rows of `block` behind it."""
        if len(block) == 0:
            return self
        bins = (block.ticks_us - self.start_us) // self.width_us
        count = max(int(bins[-1]) + 1, len(self.sums))
        sums = np.zeros((count, _SUMS))
        sums[: len(self.sums)] = self.sums
        for at, name in ((0, "current_a"), (2, SPEED)):
            column = block.columns.get(name)
            if column is None:
                continue
            known = ~np.isnan(column)
            first = int(bins[0])
            values = np.bincount(bins[known] - first, column[known].astype(np.float64), count - first)
            sums[first:, at] += values
            sums[first:, at + 1] += np.bincount(bins[known] - first, minlength=count - first)
        return _bounded(Course(self.start_us, self.width_us, sums))

    def current_a(self) -> Floats:
        """Return the mean current of each bin, in A; NaN where a bin has no reading."""
        return self._means(0)

    def speed_rpm(self) -> Floats:
        """Return the mean speed of each bin, in rpm; NaN where a bin has no reading."""
        return self._means(2)

    def _means(self, at: int) -> Floats:
        counts = self.sums[:, at + 1]
        return np.where(counts > 0, self.sums[:, at] / np.maximum(counts, 1.0), np.nan)


def _bounded(course: Course) -> Course:
    while len(course.sums) > MOST_BINS:
        even = np.concatenate([course.sums, np.zeros((len(course.sums) % 2, _SUMS))])
        course = Course(course.start_us, 2 * course.width_us, even.reshape(-1, 2, _SUMS).sum(axis=1))
    return course
