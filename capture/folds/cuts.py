"""Cuts: stretches of work between idle stretches, found from the current with hysteresis and a hold.

A stretch begins when the tool draws, by thresholds learnt from the past (`hysteresis`), and ends when it has
drawn nothing for HOLD_US; shorter pauses, ripple and chopping belong to it, the negative current of a brake
to its end, and a spike of one reading is nothing. It lasts from the first sample that draws to the last.
Stretches shorter than SHORTEST_CUT_US are not counted. The thresholds are common practice, no source. Causal:
what comes later never changes what was counted.

A gap no longer than HOLD_US lies inside a cut that goes on behind it, as a pause would; the record says so
and leaves the gap's energy out. A longer gap, a pause of the logger or its restart ends the cut at the last
sample before: nobody knows what happened then. A stretch that is under way at the first sample behind such a
break is a new one. Both carry `has_gap`; a rest from before the break is no rest before the new one.

The first MOST_RECORDS records are kept, and the latest; the count and the speed while working go on.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.course import Course
from capture.folds.cut_record import CutRecord, Tally
from capture.folds.hysteresis import HOLD_US
from capture.folds.phases import phases_of
from capture.folds.seam import Seam, behind, out_of_sight
from capture.folds.speed import SPEED

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from capture.blocks import SampleBlock
    from capture.folds.hysteresis import LoadRows
    from capture.folds.integrals import ChannelIntegral
    from capture.folds.rest_voltage import Rest

    Whole = npt.NDArray[np.int64]

SHORTEST_CUT_US: Final = 200_000
MOST_RECORDS: Final = 4000


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A stretch of work under way: `worked` up to where the tool stopped drawing, the rest up to now."""

    rest: Rest | None
    worked: Tally
    ongoing: Tally
    course: Course
    quiet_since_us: int | None = None

    @property
    def so_far(self) -> Tally:
        """The tally of the work, without the quiet behind it that may turn out to be the end."""
        return self.ongoing if self.quiet_since_us is None else self.worked

    @property
    def is_cut(self) -> bool:
        """Whether the work has lasted long enough to be a cut."""
        return self.so_far.end_us - self.so_far.start_us >= SHORTEST_CUT_US

    def went_on(self, part: SampleBlock, divisors: Mapping[str, int], quiet_us: int | None) -> Stretch:
        """Return the stretch with rows in which the tool draws or pauses; quiet from `quiet_us` on."""
        ongoing = self.ongoing.plus(part, divisors)
        return Stretch(self.rest, ongoing, ongoing, self.course.plus(part), quiet_us)

    def stayed_quiet(self, part: SampleBlock, divisors: Mapping[str, int]) -> Stretch:
        """Return the stretch with rows in which the tool draws nothing."""
        ongoing = self.ongoing.plus(part, divisors)
        return replace(self, ongoing=ongoing, course=self.course.plus(part))

    def record(self) -> CutRecord:
        """Return the record of the stretch as a finished cut."""
        worked = self.so_far
        phases = phases_of(self.course, worked.end_us, has_gap=worked.has_gap)
        return replace(worked.record(self.rest), phases=phases)


@dataclass(frozen=True, slots=True)
class WorkingSpeed:
    """The speed over many cuts: its integral in rpm seconds, the time covered, and the lowest."""

    integral: float = 0.0
    covered_s: float = 0.0
    lowest_rpm: float | None = None

    @property
    def mean_rpm(self) -> float | None:
        """Time-weighted mean; None where there is none."""
        return self.integral / self.covered_s if self.covered_s > 0 else None

    def plus(self, speed: ChannelIntegral) -> WorkingSpeed:
        """Return this with the speed of one more cut."""
        known = [value for value in (self.lowest_rpm, speed.lowest) if value is not None]
        return WorkingSpeed(
            self.integral + speed.integral, self.covered_s + speed.covered_s, min(known, default=None)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Cuts:
    """Cuts finished so far, and the stretch of work that goes on."""

    finished: int = 0
    records: tuple[CutRecord, ...] = ()
    last_finished: CutRecord | None = None
    finished_speed: WorkingSpeed = field(default_factory=WorkingSpeed)
    drawing: bool = False
    stretch: Stretch | None = None
    now_us: int = 0
    break_us: int | None = None
    seam: Seam | None = None

    @property
    def running(self) -> Stretch | None:
        """The stretch under way once it is long enough to be a cut."""
        return self.stretch if self.stretch is not None and self.stretch.is_cut else None

    @property
    def count(self) -> int:
        """Cuts so far, the running one included once it is long enough to be one."""
        return self.finished + (self.running is not None)

    @property
    def running_record(self) -> CutRecord | None:
        """The record of the running cut as if it had ended with its latest work."""
        running = self.running
        return None if running is None else running.so_far.record(running.rest)

    @property
    def working_speed(self) -> WorkingSpeed:
        """The speed over all cuts, the running one included."""
        running = self.running
        return self.finished_speed if running is None else self.finished_speed.plus(_speed(running.so_far))

    def closed(self) -> Cuts:
        """Return the state with the stretch ended where its work ended."""
        stretch = self.stretch
        if stretch is None or not stretch.is_cut:
            return replace(self, stretch=None)
        record = stretch.record()
        return replace(
            self,
            finished=self.finished + 1,
            records=(*self.records, record) if len(self.records) < MOST_RECORDS else self.records,
            last_finished=record,
            finished_speed=self.finished_speed.plus(_speed(stretch.so_far)),
            stretch=None,
        )


@dataclass(frozen=True, slots=True)
class _Edges:
    """The rows of a block at which the tool begins and stops to draw, and whether it draws at the end.

    `unseen` is the first row whose current is known, where the block lies behind a break: a stretch that
    begins there began unseen.
    """

    rises: Whole
    falls: Whole
    drawing: bool
    unseen: int | None


def update(
    state: Cuts, block: SampleBlock, load: LoadRows, rests: Sequence[Rest], divisors: Mapping[str, int]
) -> Cuts:
    """Return the state after `block`, which needs the columns current_a and voltage_v.

    `load` tells in which rows the tool draws; `rests` are the latest rests in order, those of this block
    included (`RestVoltage.recent`); speed_rpm, force_n and torque_nm are told of where the block has them.
    """
    state = _behind_break(state, block)
    rows, drawing = load.rows, load.drawing
    before = np.concatenate([[state.drawing], drawing[:-1]])
    edges = _Edges(
        rows[drawing & ~before],
        rows[before & ~drawing] if len(rows) else rows,
        bool(drawing[-1]) if len(rows) else state.drawing,
        int(rows[0]) if len(rows) and block.ticks_us[0] == state.break_us else None,
    )
    state = _worked_through(state, block, edges, rests, divisors)
    return replace(state, drawing=edges.drawing, now_us=int(block.ticks_us[-1]), seam=behind(block))


def _behind_break(state: Cuts, block: SampleBlock) -> Cuts:
    """Return the state before `block`, the stretch ended where nobody can know how it went on."""
    if not out_of_sight(state.seam, block, state.now_us, HOLD_US):
        return state
    first_us = int(block.ticks_us[0])
    stretch = state.stretch
    if stretch is not None and stretch.quiet_since_us is None:
        state = replace(state, stretch=replace(stretch, ongoing=replace(stretch.ongoing, has_gap=True)))
    return replace(state.closed(), drawing=False, break_us=first_us)


def _worked_through(
    state: Cuts, block: SampleBlock, edges: _Edges, rests: Sequence[Rest], divisors: Mapping[str, int]
) -> Cuts:
    """Open and close stretches as the edges tell; `at` is the first row that is not dealt with yet."""
    at, rises, falls, ticks = 0, edges.rises, edges.falls, block.ticks_us
    while True:
        rises, falls = rises[rises >= at], falls[falls >= at]
        if state.stretch is None:
            if len(rises) == 0:
                return state
            at = int(rises[0])
            state = replace(state, stretch=_opened(state, block, at, rests, unseen=at == edges.unseen))
            continue
        stretch = state.stretch
        if stretch.quiet_since_us is not None:
            quiet_until = int(ticks[rises[0]] if len(rises) else ticks[-1])
            if quiet_until - stretch.quiet_since_us >= HOLD_US:
                held = int(np.searchsorted(ticks, stretch.quiet_since_us + HOLD_US))
                stretch = stretch.stayed_quiet(block.part(at, held), divisors)
                state = replace(state, stretch=stretch).closed()
                continue
            if len(rises) == 0:
                return replace(state, stretch=stretch.stayed_quiet(block.part(at, len(block)), divisors))
        quiet = _last_work(ticks, rises, falls)
        if quiet is None:
            return replace(state, stretch=stretch.went_on(block.part(at, len(block)), divisors, None))
        worked = stretch.went_on(block.part(at, quiet), divisors, int(ticks[quiet]))
        at, state = quiet, replace(state, stretch=worked)


def _last_work(ticks: Whole, rises: Whole, falls: Whole) -> int | None:
    """Return the row from which it stays quiet for the hold or to the block's end; None while it draws."""
    following = np.searchsorted(rises, falls)
    until = np.append(ticks[rises], ticks[-1])[following]
    ends = np.flatnonzero((until - ticks[falls] >= HOLD_US) | (following == len(rises)))
    return int(falls[ends[0]]) if len(ends) else None


def _opened(state: Cuts, block: SampleBlock, row: int, rests: Sequence[Rest], *, unseen: bool) -> Stretch:
    """Return a stretch that begins at a row, with the rest before it."""
    start_us = int(block.ticks_us[row])
    since_us = state.break_us
    before = [
        rest
        for rest in rests
        if rest.end_tick_us < start_us and (since_us is None or rest.end_tick_us >= since_us)
    ]
    tally = Tally.opened(start_us, has_gap=unseen)
    return Stretch(before[-1] if before else None, tally, tally, Course(start_us))


def _speed(tally: Tally) -> ChannelIntegral:
    return tally.channel(SPEED)
