"""Whether the tool draws current: what cuts, arming, speed, rest and remaining time mean by working.

A tool draws from where the current reaches `start_a` until it falls below `release_a`. Both are learnt from
the past, in windows of `WINDOW` readings; a window's readings are judged by what the windows before it told:

- *idle*: level and noise of windows that lie within `_IDLE_RANGE_A` of zero (an offset of the shunt, a lamp,
  electronics) or of the idle that is known, and do not draw, over the latest `_MEMORY` of them. A level
  elsewhere is believed after `_PERSISTENT` windows in a row, or an idle learnt wrongly would stay for ever;
  so a sensor that was never zeroed hides no cut, as long as it stays below START_CURRENT_A.
- *load*: the level of windows that draw.

`start_a` lies above the idle level by `_START_A`, or by a lamp and so many deviations of the noise, as long
as that is no more than `_LOAD_SHARE` of the load nor than START_CURRENT_A; `release_a` by `_RELEASE_A`, so a
lamp that goes on keeps nothing alive. So a driver of 1 A works as well as a saw of 60 A. Until an idle was
seen (the recording begins under load) the thresholds are START_CURRENT_A and IDLE_CURRENT_A.

Where single readings scatter more than that allows (a small tool, or before a load was seen), the mean of the
latest readings is judged in their place (`SMOOTH_US`, at most `_MOST_SMOOTHED`), each held within `_HELD`
times the start's height, so that a spike of one reading is no load. That comes late by no more than its
length; `load_edges` puts the edges right.

A soft start begins where the current passes `start_a`, not where the trigger was touched. The braking current
is negative and no work. Thresholds are common practice, no source. Constant work and memory per reading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from capture.folds.seam import Seam, behind, joins, out_of_sight

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]
    Whole = npt.NDArray[np.int64]

#: A tool that runs free draws more than this; lamps and electronics draw less.
START_CURRENT_A: Final = 3.0
#: Below this a cordless tool does no work; its own electronics draw less.
IDLE_CURRENT_A: Final = 0.5
#: A pause no longer than this belongs to the work.
HOLD_US: Final = 300_000
WINDOW: Final = 16
SMOOTH_US: Final = 20_000
_MOST_SMOOTHED: Final = 10
_IDLE_RANGE_A: Final = 0.9
_MOST_NOISE_A: Final = 0.8
_MEMORY: Final = 8
_PERSISTENT: Final = 10
_LAMP_A: Final = 0.5
_LEAST_OFF_A: Final = 0.1
_START_A: Final = 0.85
_RELEASE_A: Final = 0.6
_LOAD_SHARE: Final = 0.1
_LOAD_MEMORY: Final = 16
_START_SIGMAS: Final = 5.0
_RELEASE_SIGMAS: Final = 3.5
_HELD: Final = 5.0
_MAD_TO_SIGMA: Final = 1.4826


class Thresholds(NamedTuple):
    """What a reading is judged by: idle level, start, release, all in A, and how many readings are meant."""

    level_a: float
    start_a: float
    release_a: float
    span: int


FIXED: Final = Thresholds(0.0, START_CURRENT_A, IDLE_CURRENT_A, 1)


class Idle(NamedTuple):
    """The idle current: its level, the standard deviation of a reading, from how many windows (bounded)."""

    level_a: float
    noise_a: float
    windows: int

    def plus(self, level_a: float, noise_a: float) -> Idle:
        """Return the idle with one more window."""
        windows = min(self.windows + 1, _MEMORY)
        square = self.noise_a**2 + (noise_a**2 - self.noise_a**2) / windows
        return Idle(self.level_a + (level_a - self.level_a) / windows, math.sqrt(square), windows)


class Learnt(NamedTuple):
    """What the past has told; `elsewhere` counts windows in a row whose level is not the idle's."""

    idle: Idle | None = None
    load_a: float | None = None
    elsewhere: int = 0
    interval_us: float = 0.0

    def thresholds(self) -> Thresholds:
        """Return what the next window is judged by."""
        idle = self.idle
        if idle is None:
            return FIXED
        span, noise_a = 1, idle.noise_a
        most_a = max(_START_A, min(_LOAD_SHARE * (self.load_a or 0.0), START_CURRENT_A))
        if _LAMP_A + _START_SIGMAS * noise_a > most_a:
            span = min(max(int(SMOOTH_US / max(self.interval_us, 1.0)), 1), _MOST_SMOOTHED)
            noise_a /= math.sqrt(span)
            above_a = max(_START_A, _START_SIGMAS * noise_a)
        else:
            above_a = max(_START_A, _LAMP_A + _START_SIGMAS * noise_a)
        release_a = max(_RELEASE_A, _RELEASE_SIGMAS * noise_a)
        return Thresholds(idle.level_a, idle.level_a + above_a, idle.level_a + release_a, span)

    def plus(self, window: _Window, now: Thresholds, interval_us: float) -> Learnt:
        """Return what is known after one more window, which was judged by `now`."""
        idle, load_a = self.idle, self.load_a
        near_zero = abs(window.level_a) < IDLE_CURRENT_A
        if window.mean_a >= now.start_a:
            load_a = window.mean_a if load_a is None else load_a + (window.mean_a - load_a) / _LOAD_MEMORY
            elsewhere = window.quiet and near_zero and idle is not None
        elif not window.quiet or not self._within_range(window):
            elsewhere = window.quiet and idle is None
        elif idle is None:
            return Learnt(Idle(window.level_a, window.noise_a, 1), load_a, 0, interval_us)
        else:
            off_a = window.level_a - idle.level_a
            below_a = max(_LEAST_OFF_A, _START_SIGMAS * idle.noise_a / math.sqrt(WINDOW))
            if -below_a <= off_a <= _RELEASE_A:
                idle = idle.plus(window.level_a, window.noise_a)
                return Learnt(idle, load_a, 0, interval_us)
            elsewhere = off_a < 0 or near_zero
        count = self.elsewhere + 1 if elsewhere else 0
        if count == _PERSISTENT:
            idle, count = Idle(window.level_a, window.noise_a, 1), 0
        return Learnt(idle, load_a, count, interval_us)

    def _within_range(self, window: _Window) -> bool:
        """Return whether a window lies where an idle is expected: about zero, or about the one known."""
        levels = (0.0,) if self.idle is None else (0.0, self.idle.level_a)
        return any(abs(window.level_a - level_a) < _IDLE_RANGE_A for level_a in levels)


class _Window(NamedTuple):
    """One window: mean, median and noise of its readings in A, and whether it is steady as an idle is."""

    mean_a: float
    level_a: float
    noise_a: float
    quiet: bool


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """The follower's state: what was learnt, whether the tool draws, and the readings still needed."""

    learnt: Learnt = field(default_factory=Learnt)
    drawing: bool = False
    pending_a: Floats = field(default_factory=lambda: np.empty(0))
    pending_since_us: int = 0
    held_a: Floats = field(default_factory=lambda: np.empty(0))
    now_us: int = 0
    seam: Seam | None = None


@dataclass(frozen=True, slots=True, eq=False)
class LoadRows:
    """What the follower says of a block: `rows` (n) have a reading of the current.

    Of each of them (n) `drawing` tells whether the tool draws, `idle` whether the pack carries next to
    nothing but an idle current near zero, `start_a` what a load must reach, `span` of how many readings the
    mean was judged, `over_a` by how much the reading exceeds the middle between idle level and start.
    """

    rows: Whole
    drawing: Flags
    idle: Flags
    start_a: Floats
    span: Whole
    over_a: Floats


def follow(state: Load, block: SampleBlock) -> tuple[Load, LoadRows]:
    """Return the state after `block`, which needs current_a, and what it says of its rows.

    The answer does not depend on how samples are grouped into blocks. Behind lost samples windows begin
    anew; whether the tool draws outlives a gap of HOLD_US, and no pause or restart.
    """
    if not joins(state.seam, block):
        lost = out_of_sight(state.seam, block, state.now_us, HOLD_US)
        still = state.drawing and not lost
        state = replace(state, drawing=still, pending_a=np.empty(0), held_a=np.empty(0))
    state = replace(state, seam=behind(block), now_us=int(block.ticks_us[-1]))
    current = block.columns["current_a"]
    rows = np.flatnonzero(~np.isnan(current))
    values = current[rows].astype(np.float64)
    if len(rows) == 0:
        return state, LoadRows(rows, np.empty(0, bool), np.empty(0, bool), values, rows, values)
    pending = len(state.pending_a)
    state, told = _learnt(state, values, block.ticks_us[rows])
    of_reading = (pending + np.arange(len(values))) // WINDOW
    level, start, release, spans = np.array(told, np.float64).T[:, of_reading]
    span = spans.astype(np.int64)
    judged, state = _judged(state, values, level, start, span)
    decides = (judged >= start) | (judged < release)
    latest = np.maximum.accumulate(np.where(decides, np.arange(len(judged)), -1))
    drawing: Flags = np.where(latest >= 0, judged[latest] >= start[latest], state.drawing)
    idle = (np.abs(judged - level) < release - level) & (np.abs(level) < _IDLE_RANGE_A)
    over = values - (level + start) / 2
    return replace(state, drawing=bool(drawing[-1])), LoadRows(rows, drawing, idle, start, span, over)


def _learnt(state: Load, values: Floats, ticks: Whole) -> tuple[Load, list[Thresholds]]:
    """Return the state with the windows that `values` complete, and the thresholds of each window."""
    readings = np.concatenate([state.pending_a, values])
    begun = len(state.pending_a)
    whole = len(readings) // WINDOW
    learnt, since_us = state.learnt, state.pending_since_us if begun else int(ticks[0])
    told = [learnt.thresholds()]
    for at, window in enumerate(_windows(readings[: whole * WINDOW].reshape(whole, WINDOW))):
        last = (at + 1) * WINDOW - 1 - begun
        interval_us = (int(ticks[last]) - since_us) / (WINDOW - 1)
        learnt = learnt.plus(window, told[-1], interval_us)
        told.append(learnt.thresholds())
        since_us = int(ticks[last + 1]) if last + 1 < len(ticks) else 0
    return replace(
        state, learnt=learnt, pending_a=readings[whole * WINDOW :], pending_since_us=since_us
    ), told


def _windows(readings: Floats) -> list[_Window]:
    """Return the windows of readings of shape (windows, WINDOW).

    Noise is told from neighbouring readings. A window with a step in it, or chopped, scatters more about its
    median than its neighbours do about one another, or much: it is not quiet.
    """
    if len(readings) == 0:
        return []
    middle = _medians(readings)
    scatter = _MAD_TO_SIGMA * _medians(np.abs(readings - middle[:, None]))
    noise = _MAD_TO_SIGMA / math.sqrt(2.0) * _medians(np.abs(np.diff(readings, axis=1)))
    quiet = (scatter < 2.0 * noise + 0.05) & (scatter < _MOST_NOISE_A)
    columns = (readings.mean(axis=1).tolist(), middle.tolist(), noise.tolist(), quiet.tolist())
    return [_Window(*told) for told in zip(*columns, strict=True)]


def _medians(values: Floats) -> Floats:
    middle = values.shape[1] // 2
    ordered = np.sort(values, axis=1)
    return ordered[:, middle] if values.shape[1] % 2 else (ordered[:, middle - 1] + ordered[:, middle]) / 2


def _judged(state: Load, values: Floats, level: Floats, start: Floats, span: Whole) -> tuple[Floats, Load]:
    """Return each reading, or the mean of the latest `span` held ones, and the state with the latest."""
    reach = _HELD * (start - level)
    held = np.concatenate([state.held_a, np.clip(values, level - reach, level + reach)])
    state = replace(state, held_a=held[-(_MOST_SMOOTHED - 1) :])
    if not (span > 1).any():
        return values, state
    judged = values
    for count in sorted(set(span[span > 1].tolist())):
        ahead = np.full(max(len(values) + count - 1 - len(held), 0), held[0])
        means = sliding_window_view(np.concatenate([ahead, held]), count).mean(axis=1)
        judged = np.where(span == count, means[-len(values) :], judged)
    return judged, state
