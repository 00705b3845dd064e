"""Whether readings stand at the end of a range, told by what repeats."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

#: An end of a range repeats at least so often, and so many times as often as the values next to it.
_LEAST_REPEATS: Final = 5
_TIMES_THE_NEXT: Final = 4.0
_NEXT_VALUES: Final = 5
#: Of the other readings in the outer half of the swing, or of all where there are none there, at most this
#: share may be like the next.
_MOST_ALIKE: Final = 0.2


def ends_at_its_top(known: Floats) -> bool:
    """Return whether readings (n, no NaN) stand at their topmost value because they cannot go beyond."""
    if len(known) < 2 * _LEAST_REPEATS:
        return False
    top, low = float(known.max()), float(np.quantile(known, 0.01))
    outer = known > 0.5 * (top + low)
    if not outer.any():
        return False
    values_there, counts = np.unique(known[outer], return_counts=True)
    next_to_it = counts[-1 - _NEXT_VALUES : -1]
    if counts[-1] < max(_LEAST_REPEATS, _TIMES_THE_NEXT * next_to_it.sum() / max(1, len(next_to_it))):
        return False
    beside = outer if len(counts) > 1 else np.ones(len(known), dtype=bool)
    alike = (known[1:] == known[:-1])[beside[1:] & (known[1:] < values_there[-1])]
    return bool(len(alike) and alike.mean() <= _MOST_ALIKE)
