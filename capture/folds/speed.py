"""Speed and how it is known.

- *turning*: the newest reading is above zero.
- *stalled*: it is zero while the tool draws current (`hysteresis`); *still*: zero otherwise.
- *no pulse*: the newest due reading is missing, so no pulse came. The speed is then not the last one read: it
  is at most 60 / (p T) rpm, T seconds after the last reading with p pulses a turn, a bound that falls.
  A gap, a pause or a restart may have swallowed pulses, so T counts from behind it.

A reading that is about double or half the one before is set aside until the next one shows whether
the tool or the counting changed: a rotor has inertia and does not double its speed between two readings and
go back. If the next goes back, the reading was suspect and is counted; if not, the change was true. Either
way what was set aside is left out of means and extremes, which a true change does not miss. Several wrong
readings in a row are not recognised: they look like a true change.

*No load*: the tool turns and draws less than `NO_LOAD_SHARE` of the highest current seen until then.
Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.seam import Seam, behind, joins

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import Readings, SampleBlock
    from capture.folds.hysteresis import LoadRows

SPEED: Final = "speed_rpm"
NO_LOAD_SHARE: Final = 1 / 3
_DOUBLE: Final = (1.8, 2.2)
_WENT_BACK: Final = 0.2
_SLOWEST_RPM: Final = 100.0  # below, a tool comes to rest or to speed, and doubling is no wonder
_SECONDS_PER_MINUTE: Final = 60.0


class SpeedState(Enum):
    """How the speed is known at this moment."""

    TURNING = "turning"
    STALLED = "stalled"
    STILL = "still"
    NO_PULSE = "no pulse"


@dataclass(frozen=True, slots=True)
class Speed:
    """The speed so far.

    `latest_rpm` is the newest reading that was not set aside, `silent_since_us` the tick of the newest
    reading or of the first sample behind a break; `silent` tells that a due reading is missing since.
    `reference_rpm` and `aside_rpm` are the newest reading that was kept, and the one set aside behind it.
    """

    latest_rpm: float | None = None
    silent: bool = False
    silent_since_us: int = 0
    now_us: int = 0
    drawing: bool = False
    peak_current_a: float = 0.0
    highest_no_load_rpm: float | None = None
    suspect_readings: int = 0
    reference_rpm: float | None = None
    aside_rpm: float | None = None
    seam: Seam | None = None

    @property
    def how(self) -> SpeedState | None:
        """How the speed is known; None before the first sample in which a reading was due."""
        if self.silent:
            return SpeedState.NO_PULSE
        if self.latest_rpm is None:
            return None
        if self.latest_rpm > 0:
            return SpeedState.TURNING
        return SpeedState.STALLED if self.drawing else SpeedState.STILL

    @property
    def now_rpm(self) -> float | None:
        """The speed read last; None while no pulse comes."""
        return None if self.silent else self.latest_rpm

    def at_most_rpm(self, pulses_per_turn: float) -> float | None:
        """Return the upper bound while no pulse comes, None at other times or where no time has passed."""
        age_us = self.now_us - self.silent_since_us
        if not self.silent or age_us <= 0:
            return None
        return _SECONDS_PER_MINUTE / (pulses_per_turn * age_us * 1e-6)


def update(
    state: Speed, block: SampleBlock, load: LoadRows | None, divisor: int = 1
) -> tuple[Speed, Readings]:
    """Return the state after `block`, and its column speed_rpm with what was set aside as NaN.

    `load` tells in which rows the tool draws, None where there is no current.
    """
    column = block.columns[SPEED]
    if not joins(state.seam, block):
        state = replace(
            state, reference_rpm=None, aside_rpm=None, silent_since_us=int(block.ticks_us[0]), silent=False
        )
    state, kept = _screened(state, column)
    state = _newest(state, block, column, divisor)
    state = replace(state, now_us=int(block.ticks_us[-1]), seam=behind(block))
    return (state if load is None else _without_load(state, kept, block.columns["current_a"], load)), kept


def _screened(state: Speed, column: Readings) -> tuple[Speed, Readings]:
    """Set aside what doubled or halved; only the jumps are looked at one by one."""
    rows = np.flatnonzero(~np.isnan(column))
    if len(rows) == 0:
        return state, column
    carried = [value for value in (state.reference_rpm, state.aside_rpm) if value is not None]
    values = np.concatenate([carried, column[rows].astype(np.float64)])
    aside = {1} if state.aside_rpm is not None else set()
    suspects = state.suspect_readings
    for at in (np.flatnonzero(_doubled_or_halved(values[1:], values[:-1])) + 1).tolist():
        if at - 1 not in aside:
            aside.add(at)
        elif abs(values[at] - values[at - 2]) <= _WENT_BACK * values[at - 2]:
            suspects += 1
    last = len(values) - 1
    newest_aside = last in aside
    kept = column
    if rows_aside := [int(rows[at - len(carried)]) for at in aside if at >= len(carried)]:
        kept = column.copy()
        kept[rows_aside] = np.nan
    reference = float(values[last - newest_aside])
    state = replace(
        state,
        latest_rpm=reference,
        suspect_readings=suspects,
        reference_rpm=reference,
        aside_rpm=float(values[last]) if newest_aside else None,
    )
    return state, kept


def _doubled_or_halved(
    values: npt.NDArray[np.float64], before: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    low, high = _DOUBLE
    doubled = (values >= low * before) & (values <= high * before)
    halved = (before >= low * values) & (before <= high * values)
    return (doubled | halved) & (np.minimum(values, before) >= _SLOWEST_RPM)


def _newest(state: Speed, block: SampleBlock, column: Readings, divisor: int) -> Speed:
    """Take note of whether the newest due reading came."""
    due = np.arange(-block.first_index % divisor, len(block), divisor)
    rows = np.flatnonzero(~np.isnan(column))
    if len(rows):
        state = replace(state, silent_since_us=int(block.ticks_us[rows[-1]]), silent=False)
    missed = len(due) and (len(rows) == 0 or due[-1] > rows[-1])
    return replace(state, silent=True) if missed else state


def _without_load(state: Speed, kept: Readings, current: Readings, load: LoadRows) -> Speed:
    """Take note of the load, and of the highest speed while little current is drawn."""
    rows = load.rows
    if len(rows) == 0:
        return state
    drawn = current[rows].astype(np.float64)
    peaks = np.maximum(np.maximum.accumulate(drawn), state.peak_current_a)
    free = kept[rows][drawn < NO_LOAD_SHARE * peaks]
    free = free[free > 0]
    highest = state.highest_no_load_rpm
    if len(free):
        highest = max(float(free.max()), highest or 0.0)
    return replace(
        state, drawing=bool(load.drawing[-1]), peak_current_a=float(peaks[-1]), highest_no_load_rpm=highest
    )
