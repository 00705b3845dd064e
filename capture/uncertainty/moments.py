"""Mean and standard deviation of readings that come block by block, numerically stable."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

_FEWEST_READINGS: Final = 2


@dataclass(frozen=True, slots=True)
class Moments:
    """How many readings, their mean, and the sum of squared deviations from it."""

    count: int = 0
    mean: float = 0.0
    squares: float = 0.0

    @property
    def deviation(self) -> float | None:
        """Standard deviation with n - 1; None for fewer than two readings."""
        return math.sqrt(self.squares / (self.count - 1)) if self.count >= _FEWEST_READINGS else None

    def plus(self, readings: npt.NDArray[np.float64]) -> Moments:
        """Return the moments with n more readings, none NaN.

        Chan, Golub, LeVeque, "Updating formulae and a pairwise algorithm for computing sample variances",
        Stanford STAN-CS-79-773 (1979), equation 2.1 (from memory); a block's own moments in two passes.
        """
        count = len(readings)
        if count == 0:
            return self
        mean = float(readings.mean())
        within = readings - mean
        # the mean's rounding error shifts every deviation alike: its square is taken out again
        squares = float(within @ within) - float(within.sum()) ** 2 / count
        total = self.count + count
        shift = mean - self.mean
        return Moments(
            total,
            self.mean + shift * count / total,
            self.squares + squares + shift * shift * self.count * count / total,
        )
