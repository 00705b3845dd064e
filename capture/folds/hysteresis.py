"""Whether the tool draws current, with hysteresis: what cuts, speed and remaining time mean by working.

Thresholds are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.rest_voltage import IDLE_CURRENT_A

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import Readings

#: A tool that runs free draws more than this; lamps and electronics draw less.
START_CURRENT_A: Final = 3.0


def draws(current_a: Readings, *, initially: bool) -> npt.NDArray[np.bool_]:
    """Return for each of n readings (none NaN) whether the tool draws.

    Set at START_CURRENT_A, kept down to the idle threshold; `initially` is the answer for the reading before.
    """
    decides = (current_a >= START_CURRENT_A) | (current_a < IDLE_CURRENT_A)
    latest = np.maximum.accumulate(np.where(decides, np.arange(len(current_a)), -1))
    return np.where(latest >= 0, current_a[latest] >= START_CURRENT_A, initially)
