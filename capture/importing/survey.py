"""What a first reading of a file finds out of a column: how often it speaks, how fine it is written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.range_top import ends_at_its_top

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_MOST_VALUES: Final = 1 << 18
#: Of a number written in decimals, steps below this share of its size are the noise of binary fractions.
_NOISE: Final = 1e-9


@dataclass(slots=True)
class ColumnSurvey:
    """What one column holds: its readings, how many rows apart they are, and how fine they are written."""

    readings: int = 0
    lowest: float = np.inf
    highest: float = -np.inf
    _last_row: int | None = None
    _first_row: int | None = None
    _apart: list[npt.NDArray[np.int64]] = field(default_factory=list)
    _values: list[Floats] = field(default_factory=list)
    _kept: int = 0

    def feed(self, values: Floats, first_row: int) -> None:
        """Take the next rows of the column, NaN where it has no reading."""
        rows = np.flatnonzero(~np.isnan(values))
        if len(rows) == 0:
            return
        found = values[rows]
        self.readings += len(rows)
        self.lowest = min(self.lowest, float(found.min()))
        self.highest = max(self.highest, float(found.max()))
        at = first_row + rows
        if self._last_row is not None:
            at = np.concatenate([[self._last_row], at])
        else:
            self._first_row = int(at[0])
        if self._kept < _MOST_VALUES:
            self._apart.append(np.diff(at).astype(np.int64))
            self._values.append(found)
            self._kept += len(found)
        self._last_row = int(at[-1])

    @property
    def divisor(self) -> int:
        """Every how many rows the column has a reading, as a rule; 1 where it has fewer than two."""
        apart = np.concatenate(self._apart) if self._apart else np.empty(0, np.int64)
        return max(1, int(np.median(apart))) if len(apart) else 1

    @property
    def phase(self) -> int:
        """By how many rows the first reading lies behind a multiple of the divisor."""
        return (self._first_row or 0) % self.divisor

    @property
    def ends_high(self) -> bool:
        """Whether the column stands at its highest reading as at the end of a range."""
        values = self._kept_values()
        return len(values) > 0 and float(values.max()) == self.highest and ends_at_its_top(values)

    @property
    def ends_low(self) -> bool:
        """Whether the column stands at its lowest reading as at the end of a range."""
        values = self._kept_values()
        return len(values) > 0 and float(values.min()) == self.lowest and ends_at_its_top(-values)

    def _kept_values(self) -> Floats:
        return np.concatenate(self._values) if self._values else np.empty(0)

    @property
    def resolution(self) -> float:
        """The smallest difference between two readings; 0 where all are equal."""
        values = np.unique(self._kept_values())
        steps = np.diff(values)
        size = max(abs(self.lowest), abs(self.highest)) if self.readings else 0.0
        steps = steps[steps > _NOISE * size]
        return float(steps.min()) if len(steps) else 0.0
