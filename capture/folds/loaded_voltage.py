"""One stretch of work on the samples that have both current and voltage: integrals, lowest mean, last half.

The mean over the last half needs the integrals at half time, and half time is known only at the end. So the
running integrals are kept at checkpoints, at first every 10 ms; when there are too many, every other one
goes and the spacing doubles. Between checkpoints the integrals are taken as straight, which misplaces half
time by no more than 1/512 of the stretch.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.seam import Seam, behind, joins, steps_s

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

#: Over this the voltage is averaged before its lowest is taken: the design's 20 ms, longer than ripple.
LOWEST_OVER_US: Final = 20_000
MOST_CHECKPOINTS: Final = 512
_FIRST_SPACING_US: Final = 10_000


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """A voltage under load and the mean current of the same stretch of time."""

    voltage_v: float
    current_a: float


@dataclass(frozen=True, slots=True, eq=False)
class LoadedVoltage:
    """The stretch so far.

    `totals` are seconds covered and the integrals of voltage, current and power over them (s, V s, A s, J).
    `checkpoints` (n, 5) hold a tick and the totals there. `window` (n, 3) holds tick, voltage and current of
    the latest 20 ms, `window_from_us` the first tick since a gap: a mean is taken only over 20 ms without
    one.
    """

    start_us: int
    totals: Floats = field(default_factory=lambda: np.zeros(4))
    lowest: LoadPoint | None = None
    checkpoints: Floats = field(default_factory=lambda: np.empty((0, 5)))
    spacing_us: int = _FIRST_SPACING_US
    window: Floats = field(default_factory=lambda: np.empty((0, 3)))
    window_from_us: int | None = None
    last_index: int = 0
    seam: Seam | None = None

    @property
    def covered_s(self) -> float:
        """Seconds that the integrals cover."""
        return float(self.totals[0])

    @property
    def charge_c(self) -> float:
        """Charge in coulomb."""
        return float(self.totals[2])

    @property
    def energy_j(self) -> float:
        """Energy in joule."""
        return float(self.totals[3])

    def last_half(self, end_us: int) -> LoadPoint | None:
        """Return the means over the second half of the time up to `end_us`; None where nothing covers it."""
        if len(self.checkpoints) == 0:
            return None
        ticks = np.append(self.checkpoints[:, 0], max(end_us, self.checkpoints[-1, 0]))
        half_us = (self.start_us + end_us) / 2
        before = [
            np.interp(half_us, ticks, np.append(self.checkpoints[:, column + 1], self.totals[column]))
            for column in range(3)
        ]
        covered, volt_seconds, charge = self.totals[:3] - before
        if covered <= 0:
            return None
        return LoadPoint(float(volt_seconds / covered), float(charge / covered))


def update(state: LoadedVoltage, block: SampleBlock, spacing: int) -> LoadedVoltage:
    """Return the state after `block`; `spacing`: samples from one with current and voltage to the next."""
    current = block.columns["current_a"].astype(np.float64)
    voltage = block.columns["voltage_v"].astype(np.float64)
    rows = np.flatnonzero(~np.isnan(current) & ~np.isnan(voltage))
    if not joins(state.seam, block):
        state = replace(state, window=np.empty((0, 3)), window_from_us=None)
    state = replace(state, seam=behind(block))
    if len(rows) == 0:
        return state
    readings = np.column_stack([block.ticks_us[rows], voltage[rows], current[rows]])
    indices = block.first_index + rows
    if state.window_from_us is None:
        state = replace(state, window_from_us=int(readings[0, 0]))
    state = _integrated(state, readings, indices, spacing)
    return _lowest_mean(state, readings)


def _integrated(state: LoadedVoltage, readings: Floats, indices: Whole, spacing: int) -> LoadedVoltage:
    """Add the trapezoids up to the last of `readings`, and the checkpoints that fall due."""
    line = np.concatenate([state.window[-1:], readings])
    if len(line) > len(readings):
        indices = np.concatenate([[state.last_index], indices])
    steps = steps_s(line[:, 0].astype(np.int64), indices, spacing)
    rates = np.column_stack([np.ones(len(line)), line[:, 1], line[:, 2], line[:, 1] * line[:, 2]])
    areas = (rates[1:] + rates[:-1]) * 0.5 * steps[:, None]
    totals = np.cumsum(np.concatenate([state.totals[None, :], areas]), axis=0)
    points = np.column_stack([readings[:, 0], totals[-len(readings) :]])
    checkpoints, spacing_us = state.checkpoints, state.spacing_us
    checkpoints = np.concatenate([checkpoints, points])
    checkpoints = checkpoints[_first_of_each(checkpoints[:, 0] - state.start_us, spacing_us)]
    while len(checkpoints) > MOST_CHECKPOINTS:
        spacing_us *= 2
        checkpoints = checkpoints[_first_of_each(checkpoints[:, 0] - state.start_us, spacing_us)]
    return replace(
        state,
        totals=totals[-1],
        checkpoints=checkpoints,
        spacing_us=spacing_us,
        last_index=int(indices[-1]),
    )


def _first_of_each(times_us: Floats, spacing_us: int) -> npt.NDArray[np.bool_]:
    """Return which of rising times come first in their multiple of the spacing."""
    cells = times_us // spacing_us
    return np.diff(cells, prepend=-1.0) > 0


def _lowest_mean(state: LoadedVoltage, readings: Floats) -> LoadedVoltage:
    """Look for the lowest mean over 20 ms; readings that come more seldom stand for themselves."""
    line = np.concatenate([state.window, readings])
    ticks = line[:, 0]
    first = np.searchsorted(ticks, ticks - LOWEST_OVER_US, side="right")
    sums = np.concatenate([np.zeros((1, 2)), np.cumsum(line[:, 1:], axis=0)])
    behind_each = np.arange(1, len(line) + 1)
    means = (sums[behind_each] - sums[first]) / (behind_each - first)[:, None]
    opened = ticks[0] if state.window_from_us is None else state.window_from_us
    means = means[len(state.window) :][readings[:, 0] - opened >= LOWEST_OVER_US]
    lowest = state.lowest
    if len(means):
        voltage, current = means[int(np.argmin(means[:, 0]))].tolist()
        if lowest is None or voltage < lowest.voltage_v:
            lowest = LoadPoint(voltage, current)
    return replace(state, lowest=lowest, window=line[int(first[-1]) :])
