"""The phases of a cut: spin-up, free run, contact, severance, spin-down, told from current and speed.

A saw that runs free draws little and turns fast; in the work it draws more and turns slower. So the work lies
between two steps of the current:

- *spin-up* ends when the speed has come to `UP` of the highest within the next 0.2 s;
- *contact* is where a line that is level (the free run) and then rises bends, by least squares over the bins
  up to the first that is plainly above the free run: feed grows over tenths of a second, and its beginning is
  meant;
- *severance* is where the current falls through the middle between the latest work and the free run behind
  it, and does not rise above it again; a lift of the tool in between belongs to the work;
- *spin-down* lasts from the release to the first speed below `DOWN` of the free run's. A tachometer's
  reading is then an upper bound, so its end is no earlier than the true one. A cut is finished a hold after
  its work; where the tool still turns then, the spin-down is told up to there and `untold` says so.

A motor's current follows the load by the tool's own time constant (some 10 to 20 ms): contact and severance
both come late by that, and it drops out of the time between them.

Told by "current and speed" where the speed of the work is lower than that of the free run, by "current" where
it is not read or is held by regulation. What cannot be told is left out, and `untold` says why. The shares
and spans are common practice, no source; the bent line is the segmented regression of Hinkley, Biometrika
56 (1969) 495, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.folds.course import Course

    Floats = npt.NDArray[np.float64]

UP: Final = 0.95
DOWN: Final = 0.1
#: Two levels are told apart where the higher exceeds the lower by this share and so many noise deviations.
_PLAINLY: Final = 0.25
_SIGMAS: Final = 6.0
#: Bins (of 20 ms) that make a level, and the least of a free run before and behind the work.
_LEVEL_BINS: Final = 5
_FREE_BEFORE: Final = 5
_FREE_BEHIND: Final = 3
#: The free run's speed exceeds the work's by at least this share where it falls at all.
_FALLS: Final = 0.01
#: Whether the speed still rises is looked at over so many readings, in the first 10 s.
_SOON_BINS: Final = 10
_MOST_SPIN_UP: Final = 500
#: An inrush is over by then (0.5 s); a tool that still draws much is at work. Common practice, no source.
_MOST_INRUSH: Final = 25
#: The bend is sought up to where the current has risen by this share of the step, or plainly above the noise:
#: what comes behind tells of how the work grows and not of when it began.
_ONSET: Final = 0.2
_PARTS_OF_BIN: Final = 8
_MAD_TO_SIGMA: Final = 1.4826
_RECTANGULAR: Final = 1 / math.sqrt(12)

NO_LEVELS: Final = "the current shows no work that differs plainly from a free run"
NO_FREE_RUN: Final = "no free run before the work: contact cannot be told"
NO_END: Final = "no free run behind the work: severance cannot be told"
NO_SPIN: Final = "no speed, or none that comes up: spin-up and spin-down cannot be told"
STILL_TURNS: Final = "the tool still turned when the cut was finished: the spin-down is longer than told"
GAP: Final = "samples are missing in the cut"


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase by name, from `start_us` to `end_us`."""

    name: str
    start_us: int
    end_us: int


@dataclass(frozen=True, slots=True)
class Phases:
    """The phases of a cut that could be told, in order, and why others could not.

    `work_u_s` is the standard uncertainty of the time from contact to severance, `told_by` what told them.
    """

    spans: tuple[Phase, ...] = ()
    contact_us: int | None = None
    severance_us: int | None = None
    work_u_s: float | None = None
    told_by: str | None = None
    untold: tuple[str, ...] = ()

    @property
    def work_s(self) -> float | None:
        """Seconds from contact to severance; None where either cannot be told."""
        if self.contact_us is None or self.severance_us is None:
            return None
        return (self.severance_us - self.contact_us) * 1e-6


UNDER_WAY: Final = Phases(untold=("the cut is still under way",))


@dataclass(frozen=True, slots=True)
class _Edge:
    """A moment in bins from the start of the course, and its standard uncertainty in bins."""

    at: float
    u: float


@dataclass(frozen=True, slots=True)
class _Spin:
    """What the speed says: the bin in which the tool is up, and the level it is up to."""

    up: int
    free_rpm: float


@dataclass(frozen=True, slots=True)
class _Levels:
    """The bin from which the current has settled, the first and the last of the work.

    `noise_a` is that of a bin, `onset_a` what is plainly above the free run.
    """

    settled: int
    first: int
    last: int
    noise_a: float
    onset_a: float


def phases_of(course: Course, end_us: int, *, has_gap: bool) -> Phases:
    """Return the phases of the cut that began with `course` and ended at `end_us`; the course may go on."""
    if has_gap:
        return Phases(untold=(GAP,))
    bins = (end_us - course.start_us) // course.width_us + 1
    current, speed = course.current_a(), course.speed_rpm()
    working = _filled(current[: max(bins - 1, 1)])  # the last bin holds the release
    spin = _spin(speed[:bins])
    levels = _levels(working, 0 if spin is None else spin.up)
    contact = None if levels is None else _contact(working, levels)
    severance = None if levels is None else _severance(working, levels)
    told = _Told(course, end_us, spin, contact, severance)
    phases = told.phases(_standstill(speed, bins, spin))
    if levels is None:
        return replace(phases, untold=(*phases.untold, NO_LEVELS))
    reasons = [reason for edge, reason in ((contact, NO_FREE_RUN), (severance, NO_END)) if edge is None]
    told_by: str | None = "current"
    if contact is None and severance is None:
        told_by = None
    elif spin is not None and _falls(speed[:bins], contact, severance, spin):
        told_by = "current and speed"
    return replace(phases, told_by=told_by, untold=(*phases.untold, *reasons))


@dataclass(frozen=True, slots=True)
class _Told:
    """What was found in one course, and the phases that follow from it."""

    course: Course
    end_us: int
    spin: _Spin | None
    contact: _Edge | None
    severance: _Edge | None

    def phases(self, standstill: int | None) -> Phases:
        """Return the phases; `standstill` is the bin in which the tool has stopped."""
        contact_us, severance_us = self._us(self.contact), self._us(self.severance)
        spans: list[Phase] = []
        if self.spin is not None:
            up_us = min(self._tick(self.spin.up), contact_us or self.end_us)
            spans.append(Phase("spin_up", self.course.start_us, up_us))
            if contact_us is not None:
                spans.append(Phase("free_run", up_us, contact_us))
        if contact_us is not None:
            spans.append(Phase("contact", contact_us, severance_us or self.end_us))
        if severance_us is not None:
            spans.append(Phase("severance", severance_us, self.end_us))
        untold = () if self.spin is not None else (NO_SPIN,)
        watched = len(self.course.sums)
        if self.spin is not None and self._tick(watched) > self.end_us:
            spans.append(Phase("spin_down", self.end_us, self._tick(standstill or watched)))
            untold = () if standstill is not None else (STILL_TURNS,)
        work_u_s = None
        if self.contact is not None and self.severance is not None:
            work_u_s = math.hypot(self.contact.u, self.severance.u) * self.course.width_us * 1e-6
        return Phases(tuple(spans), contact_us, severance_us, work_u_s, untold=untold)

    def _tick(self, at: float) -> int:
        return self.course.start_us + round(at * self.course.width_us)

    def _us(self, edge: _Edge | None) -> int | None:
        return None if edge is None else min(self._tick(edge.at), self.end_us)


def _filled(values: Floats) -> Floats:
    """Return the values with each missing one as the one before it."""
    at = np.maximum.accumulate(np.where(np.isnan(values), 0, np.arange(len(values))))
    return values[at]


def _spin(speed: Floats) -> _Spin | None:
    """Return when the tool is up to speed; the free run's speed is the highest level it keeps."""
    known = np.flatnonzero(~np.isnan(speed))
    if len(known) < 2 * _LEVEL_BINS:
        return None
    rpm = speed[known]
    soon = np.array([rpm[at : at + _SOON_BINS].max() for at in range(min(len(rpm), _MOST_SPIN_UP))])
    up = int(np.argmax((rpm[: len(soon)] >= UP * soon) & (soon > 0)))
    free_rpm = float(_running(rpm, _LEVEL_BINS).max())
    return _Spin(int(known[up]), free_rpm) if up > 0 else None


def _standstill(speed: Floats, bins: int, spin: _Spin | None) -> int | None:
    """Return the bin behind the cut by which the tool has next to stopped; None where it was not seen to."""
    if spin is None:
        return None
    with np.errstate(invalid="ignore"):
        still = np.flatnonzero(speed[bins:] < DOWN * spin.free_rpm)
    return bins + int(still[0]) + 1 if len(still) else None


def _levels(current: Floats, up: int) -> _Levels | None:
    """Return the levels of free run and work behind the spin-up; None where there are not two."""
    if np.isnan(current[:1]).any() or len(current) - up < 2 * _LEVEL_BINS:
        return None
    means = _running(current[up:], _LEVEL_BINS)
    low, high = float(means.min()), float(means.max())
    settled = int(np.argmax(means < low + _PLAINLY * (high - low)))
    if settled > _MOST_INRUSH:  # the tool went to work at once
        settled = 0
    elif settled + 1 < len(means):
        high = float(means[settled:].max())
    start = up + settled
    if settled:
        start += int(np.argmax(current[start:] < low + _PLAINLY * (high - low)))
    noise = _noise(current[start:])
    if high - low < max(_PLAINLY * abs(low), _SIGMAS * noise):
        return None
    above = np.flatnonzero(_running(current[start:], 3) > (low + high) / 2) + start + 1
    if len(above) == 0:
        return None
    return _Levels(
        start, int(above[0]), int(above[-1]), noise, low + max(_ONSET * (high - low), _SIGMAS * noise)
    )


def _contact(current: Floats, levels: _Levels) -> _Edge | None:
    """Return where the current bends upwards from the free run; None without a free run before the work."""
    start, first = levels.settled, levels.first
    settled = np.flatnonzero(current[start:first] < levels.onset_a)
    if len(settled) < _FREE_BEFORE:
        return None
    start += int(settled[0])
    y = current[start : levels.settled + int(settled[-1]) + 2]
    at = np.arange(len(y)) + 0.5
    bends = np.arange(2.0, len(y) - 0.5, 1 / _PARTS_OF_BIN)
    rise = np.maximum(at - bends[:, None], 0.0)
    across = rise - rise.mean(axis=1, keepdims=True)
    steep = (across * y).sum(axis=1) / (across**2).sum(axis=1)
    squares = ((y - y.mean() - steep[:, None] * across) ** 2).sum(axis=1)
    squares[steep <= 0] = np.inf
    alike = bends[squares <= squares.min() + levels.noise_a**2]
    return _Edge(start + float(alike.mean()), math.hypot(_RECTANGULAR, float(alike.std())))


def _severance(current: Floats, levels: _Levels) -> _Edge | None:
    """Return where the current falls back for good; None where the tool was let go in the work.

    The moment is that of a sudden fall with the same charge.
    """
    behind = current[levels.last + 2 :]
    if len(behind) < _FREE_BEHIND:
        return None
    free_a = float(np.median(behind))
    work_a = float(np.median(current[max(levels.first, levels.last - _LEVEL_BINS) : levels.last + 1]))
    step_a = work_a - free_a
    if step_a < max(_PLAINLY * abs(free_a), _SIGMAS * levels.noise_a):
        return None
    around = np.arange(max(levels.last - 2, 0), levels.last + 2)
    last = int(around[current[around] > free_a + step_a / 2][-1])
    over = (current[last : last + 2] - free_a) / step_a
    at = last + float(np.clip(over, 0.0, 1.0).sum())
    return _Edge(at, math.hypot(_RECTANGULAR, levels.noise_a / step_a))


def _falls(speed: Floats, contact: _Edge | None, severance: _Edge | None, spin: _Spin) -> bool:
    """Return whether the speed of the work is lower than that of the free run."""
    first = spin.up if contact is None else int(contact.at) + _LEVEL_BINS
    last = len(speed) if severance is None else int(severance.at)
    working = speed[first:last]
    working = working[~np.isnan(working)]
    return len(working) > 0 and float(np.median(working)) < (1 - _FALLS) * spin.free_rpm


def _running(values: Floats, count: int) -> Floats:
    """Return the means of `count` neighbouring values, of all where there are fewer."""
    count = min(count, len(values))
    sums: Floats = np.cumsum(np.concatenate([[0.0], values]))
    means: Floats = (sums[count:] - sums[:-count]) / count
    return means


def _noise(values: Floats) -> float:
    """Return the standard deviation of the noise of one bin, from second differences and their median."""
    if len(values) < _LEVEL_BINS:
        return 0.0
    return float(np.median(np.abs(np.diff(values, 2)))) * _MAD_TO_SIGMA / math.sqrt(6.0)
