"""Where the readings of an imported column stand at the end of its range, which no file says.

Told by what repeats: a clipped reading is the same number again and again, while others differ from one to
the next. A current stands at nothing while it rests and a regulated speed at its number, so only the ends
that work runs into are looked at: the high one of current, force, torque and pressure, the low one of
voltages.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from capture.importing.survey import ColumnSurvey

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

_ENDS_HIGH: Final = ("_a", "_n", "_nm", "_pa")
_ENDS_LOW: Final = ("_v",)


@dataclass(frozen=True, slots=True)
class RangeEnd:
    """The number at which a column stands; `high` tells which end of its range that is."""

    at: float
    high: bool

    def reached(self, readings: Floats) -> Flags:
        """Return which readings (n) stand there."""
        return readings >= self.at if self.high else readings <= self.at


def range_end(name: str, survey: ColumnSurvey) -> RangeEnd | None:
    """Return the end of a column's range that its readings ran into; None where they did not."""
    if name.endswith(_ENDS_HIGH) and survey.ends_high:
        return RangeEnd(survey.highest, high=True)
    if name.endswith(_ENDS_LOW) and survey.ends_low:
        return RangeEnd(survey.lowest, high=False)
    return None
