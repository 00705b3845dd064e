"""The noise of a channel, from how its readings differ from one to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

#: The median of |x1 - x2| of a normal distribution is 0.9539 standard deviations.
_MEDIAN_STEP_TO_SIGMA: Final = 1.0484


def step_noise(steps: Floats) -> float:
    """Return the standard deviation of one reading, from the differences of neighbouring ones (n > 0).

    By their median, so that edges of a load do not count.
    """
    return _MEDIAN_STEP_TO_SIGMA * float(np.median(np.abs(steps)))
