"""A tachometer of a few pulses a revolution, as a timer sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

PULSES_PER_REVOLUTION: Final = 2
_TIMER_S: Final = 1e-6
#: Without a pulse for so long the reading is zero.
_SILENCE_S: Final = 0.5


class Tachometer:
    """Reads 60 / (pulses per revolution * period); never holds a reading that no pulse renews.

    While the next pulse is late the reading is the upper bound that its absence allows, and zero after half
    a second. A first pulse after a standstill gives no period yet, so the reading stays zero.
    """

    def __init__(self) -> None:
        self._turned = 0.0  # in pulses
        self._last_s = self._before_last_s = -np.inf

    def readings(
        self, speed_rad_per_s: npt.NDArray[np.float64], first_tick_s: float, interval_s: float
    ) -> npt.NDArray[np.float64]:
        """Return the reading in 1/min at each tick; a speed is that of the interval before its tick."""
        ticks_s = first_tick_s + interval_s * np.arange(len(speed_rad_per_s))
        pulses_per_s = speed_rad_per_s * (PULSES_PER_REVOLUTION / (2 * np.pi))
        turned = self._turned + np.concatenate([[0.0], np.cumsum(pulses_per_s) * interval_s])
        self._turned = float(turned[-1]) % 1.0
        numbers = np.arange(int(turned[0]) + 1, int(turned[-1]) + 1)
        reached = np.searchsorted(turned, numbers) - 1  # the interval in which each pulse comes
        moments = ticks_s[reached] - interval_s * (turned[reached + 1] - numbers) / np.diff(turned)[reached]
        moments = np.concatenate(
            [[self._before_last_s, self._last_s], np.rint(moments / _TIMER_S) * _TIMER_S]
        )
        self._before_last_s, self._last_s = float(moments[-2]), float(moments[-1])
        latest = np.searchsorted(moments[1:], ticks_s, side="right")
        age_s = ticks_s - moments[latest]
        with np.errstate(invalid="ignore"):  # two pulses that never were
            period_s = np.fmax(moments[latest] - moments[latest - 1], age_s)
        alive = (period_s < _SILENCE_S) & (age_s < _SILENCE_S)
        return np.where(alive, 60.0 / (PULSES_PER_REVOLUTION * np.where(alive, period_s, 1.0)), 0.0)
