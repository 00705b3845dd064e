"""The noise of every channel, from the scatter of neighbouring readings: at rest, and over all readings.

Three neighbouring readings on a straight line have no second difference d = x[k-1] - 2 x[k] + x[k+1]; white
noise of variance s2 has E(d^2) = 6 s2, so d^2 / 6 estimates s2 and no trend or slow relaxation enters
(Gasser, Sroka, Jennen-Steinmetz, Biometrika 73 (1986) 625, from memory). While the pack carries next to no
current that is the sensor's noise, its quantisation included. Under load the ripple of the tool adds to it.
Of both, values of d^2 far beyond the block's middle one are left out: those are edges, and the voltage may
move a sample before or after the current tells of the load. Over all readings edges count too: what a sum
is uncertain by where each sample stands for one instant only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.seam import Seam, behind, joins
from capture.uncertainty.moments import Moments

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from capture.blocks import SampleBlock
    from capture.folds.hysteresis import LoadRows

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

#: E(d^2) of a second difference of white noise, over its variance.
_SECOND_DIFFERENCE: Final = 6.0
#: Second differences squared beyond so many times the middle one (5 standard deviations) are no noise.
_FAR: Final = 25.0
#: Median of a squared standard normal variable (chi-square with one degree of freedom).
_MIDDLE_OF_SQUARES: Final = 0.4549
#: A standard deviation of fewer differences is worth little (25 of them give it to about 20 %).
FEWEST: Final = 25


@dataclass(frozen=True, slots=True)
class ChannelNoise:
    """One channel so far: sums and counts of squared second differences, and its last two readings."""

    rest_squares: float = 0.0
    rest_count: int = 0
    load_squares: float = 0.0
    load_count: int = 0
    squares: float = 0.0
    count: int = 0
    latest: tuple[float, ...] = ()
    latest_idle: tuple[bool, ...] = ()

    @property
    def at_rest(self) -> float | None:
        """Standard deviation of one reading while the pack rests; None where it rested too shortly."""
        return _deviation(self.rest_squares, self.rest_count)

    @property
    def under_load(self) -> float | None:
        """The same for the readings that are not at rest, with ripple in it."""
        return _deviation(self.load_squares, self.load_count)

    @property
    def throughout(self) -> float | None:
        """The same over all readings, with ripple and edges in it."""
        return _deviation(self.squares, self.count)

    def extended(self, readings: Floats, idle: Flags, *, joined: bool) -> ChannelNoise:
        """Return this channel after n readings (none NaN) that follow one another."""
        carried = len(self.latest) if joined else 0
        values, resting = readings, idle
        if carried:
            values = np.concatenate([self.latest, readings])
            resting = np.concatenate([np.array(self.latest_idle, bool), idle])
        squares = (values[2:] - 2 * values[1:-1] + values[:-2]) ** 2 / _SECOND_DIFFERENCE
        resting_all = resting[2:] & resting[1:-1] & resting[:-2]
        at_rest, loaded = _without_far(squares[resting_all]), _without_far(squares[~resting_all])
        return ChannelNoise(
            self.rest_squares + float(at_rest.sum()),
            self.rest_count + len(at_rest),
            self.load_squares + float(loaded.sum()),
            self.load_count + len(loaded),
            self.squares + float(squares.sum()),
            self.count + len(squares),
            tuple(values[-2:].tolist()),
            tuple(resting[-2:].tolist()),
        )


@dataclass(frozen=True, slots=True)
class Noise:
    """All channels so far, by column; `rest_current` are mean and spread of the current while idle, in A."""

    channels: Mapping[str, ChannelNoise] = field(default_factory=dict)
    rest_current: Moments = field(default_factory=Moments)
    idle: bool = False
    seam: Seam | None = None


def update(state: Noise, block: SampleBlock, load: LoadRows | None) -> Noise:
    """Return the state after `block`; without a current (no `load`) nothing counts as rest."""
    joined = joins(state.seam, block)
    idle = _idle(block, load, initially=state.idle and joined)
    channels, rest = dict(state.channels), state.rest_current
    if "current_a" in block.columns:
        current = block.columns["current_a"]
        rest = rest.plus(current[idle & ~np.isnan(current)].astype(np.float64))
    for name, column in block.columns.items():
        rows = np.flatnonzero(~np.isnan(column))
        known = channels.get(name, ChannelNoise())
        channels[name] = known.extended(column[rows].astype(np.float64), idle[rows], joined=joined)
    return Noise(channels, rest, bool(idle[-1]), behind(block))


def _idle(block: SampleBlock, load: LoadRows | None, *, initially: bool) -> Flags:
    """Return for each row whether the newest current is next to none."""
    if load is None:
        return np.zeros(len(block), bool)
    newest = np.searchsorted(load.rows, np.arange(len(block)), side="right")
    return np.concatenate([[initially], load.idle])[newest]


def _without_far(squares: Floats) -> Floats:
    """Return the squares that are not far beyond the middle one, or beyond the least that is not zero."""
    if len(squares) == 0:
        return squares
    middle = float(np.partition(squares, len(squares) // 2)[len(squares) // 2])
    if middle == 0.0:
        moved = squares[squares > 0]
        middle = float(moved.min()) if len(moved) else 0.0
    return squares[squares <= _FAR * middle / _MIDDLE_OF_SQUARES]


def _deviation(squares: float, count: int) -> float | None:
    return math.sqrt(squares / count) if count >= FEWEST else None
