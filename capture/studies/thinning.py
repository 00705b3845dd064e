"""A run made ready for a fit: unbroken stretches of current, and the voltage as means over fitting blocks.

Half an hour at 500 Hz has a million samples, and most of them say the same. Behind a jump of the current each
sample counts, later the mean over a block that is a share of the time since the jump. The current itself
stays as it is: what an RC pair makes of it is computed at full rate and then averaged over the same samples.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.step_noise import step_noise

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from capture.studies.columns import RunColumns

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

#: A hole up to this long is bridged by a straight line, and the voltage behind it left out for some lengths.
BRIDGED_S: Final = 0.5
_SHY_LENGTHS: Final = 4.0
#: A stretch shorter than this says too little for a start state of its own.
_LEAST_STRETCH_S: Final = 2.0
_LEAST_READINGS: Final = 40
_MOST_STRETCHES: Final = 8
#: A missing reading or two of a channel are no hole.
_HOLE_INTERVALS: Final = 3.5
#: Ticks this near to even steps (in steps) are taken as even.
_EVEN_WITHIN: Final = 0.05
_MOST_INSTANTS: Final = 1_000_000
_FAST_SHARE: Final = 0.02
#: Blocks grow by this factor behind a jump, up to a length; 0.5 s is far below what a slow pair takes.
_GROWTH: Final = 1.2
_LONGEST_BLOCK_S: Final = 0.5
_MOST_JUMPS: Final = 600
_JUMP_SIGMAS: Final = 8.0
#: So many readings before a jump stand alone too: a voltage read later has seen it.
_BEFORE_JUMP: Final = 2
_JUMP_SHARE: Final = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """An unbroken stretch of a run.

    `current_a` and `drawn_c` (m, charge since the run's first sample, holes left out) at instants `step_s`
    apart from `start_s` on; `voltage_v` (p) are readings at instants `at` (p, in steps, may lie between);
    `blocks` (b) are the first readings of the blocks; `lost_s` is how long a hole lies before the stretch.
    """

    start_s: float
    step_s: float
    current_a: Floats
    drawn_c: Floats
    at: Floats
    voltage_v: Floats
    blocks: Whole
    lost_s: float

    @property
    def sizes(self) -> Whole:
        """How many readings each block has."""
        return np.diff(self.blocks, append=len(self.voltage_v))

    @property
    def span_s(self) -> float:
        """Seconds from the first instant to the last."""
        return self.step_s * (len(self.current_a) - 1)

    def at_readings(self, series: Floats) -> Floats:
        """Return the values that a series of the instants (m) has at the voltage readings (p)."""
        if len(self.at) == len(series):
            return series
        whole = self.at.astype(np.int64)
        if np.array_equal(whole, self.at):
            return series[whole]
        return np.interp(self.at, np.arange(len(series)), series)

    def moved_a(self) -> Floats:
        """Return by how much the mean current over each block (b) changes with one step of delay."""
        return self.means(self.at_readings(np.gradient(self.current_a)))

    def means(self, readings: Floats) -> Floats:
        """Return the means over the blocks (b) of values at the readings (p)."""
        return np.add.reduceat(readings, self.blocks) / self.sizes


def stretches_of(run: RunColumns, edges_s: Sequence[float] = (), later_s: float = 0.0) -> list[Stretch]:
    """Return the stretches of a run that a fit can use, in order; needs current_a and voltage_v.

    At `edges_s` blocks begin anew, as they do where the current jumps: what follows counts in detail. The
    voltage was read `later_s` after the current beside it (`studies.skew`).
    """
    current, voltage = run.columns["current_a"], run.columns["voltage_v"]
    known = np.flatnonzero(~np.isnan(current))
    if len(known) < _LEAST_READINGS:
        return []
    usual_s = float(np.median(np.diff(run.t_s[known])))
    holes = _holes(run, known)
    if usual_s <= 0:
        return []
    stretches: list[Stretch] = []
    drawn_c, ended_s = 0.0, float(run.t_s[0])
    wide = holes[np.diff(run.t_s[known])[holes] > BRIDGED_S]
    for part in np.split(known, wide + 1):
        t_s, lost_s = run.t_s[part], float(run.t_s[part[0]]) - ended_s
        ended_s = float(t_s[-1])
        charge_c = float(np.trapezoid(current[part], t_s))
        if ended_s - t_s[0] >= _LEAST_STRETCH_S:
            shy = _shy_of(t_s, holes, known, run.t_s)
            read_v = np.where(shy, np.nan, voltage[part])
            stretch = _stretch(t_s, current[part], read_v, usual_s, lost_s, np.asarray(edges_s), later_s)
            if stretch is not None:
                stretches.append(_begun_at(stretch, drawn_c))
        drawn_c += charge_c
    longest = sorted(stretches, key=lambda stretch: -stretch.span_s)[:_MOST_STRETCHES]
    return sorted(longest, key=lambda stretch: stretch.start_s)


def _begun_at(stretch: Stretch, drawn_c: float) -> Stretch:
    return replace(stretch, drawn_c=stretch.drawn_c + drawn_c)


def _holes(run: RunColumns, known: Whole) -> Whole:
    """Return behind which known readings of the current something is missing: a break, or readings.

    A logger that writes more seldom at rest leaves no hole: missing readings are told by rows, not by time.
    """
    apart = np.diff(known)
    missing = apart > _HOLE_INTERVALS * float(np.median(apart))
    if len(run.breaks):
        missing |= np.searchsorted(run.breaks, known[1:], "right") > np.searchsorted(
            run.breaks, known[:-1], "right"
        )
    return np.flatnonzero(missing)


def _shy_of(t_s: Floats, holes: Whole, known: Whole, run_t_s: Floats) -> npt.NDArray[np.bool_]:
    """Return which readings lie so close behind a bridged hole that fast pairs still remember it."""
    shy = np.zeros(len(t_s), dtype=bool)
    for hole in holes:
        begins, ends = run_t_s[known[hole]], run_t_s[known[hole + 1]]
        if t_s[0] <= begins and ends <= t_s[-1]:
            shy |= (t_s >= ends) & (t_s <= ends + _SHY_LENGTHS * (ends - begins))
    return shy


def _stretch(
    t_s: Floats,
    current: Floats,
    voltage: Floats,
    usual_s: float,
    lost_s: float,
    edges_s: Floats,
    later_s: float,
) -> Stretch | None:
    """Return the stretch on an even grid of instants; None where it has too few voltage readings."""
    per_mean = -(-len(t_s) // _MOST_INSTANTS)
    if per_mean > 1:
        even = len(t_s) // per_mean * per_mean
        t_s, current, voltage = (row[:even].reshape(-1, per_mean).mean(1) for row in (t_s, current, voltage))
        usual_s *= per_mean
    read = ~np.isnan(voltage) & (t_s + later_s >= t_s[0]) & (t_s + later_s <= t_s[-1])
    if int(read.sum()) < _LEAST_READINGS:
        return None
    # where rows come at different rates, the instants follow the fastest
    fine_s = max(float(np.quantile(np.diff(t_s), _FAST_SHARE)), float(t_s[-1] - t_s[0]) / _MOST_INSTANTS)
    steps = max(1, round(float(t_s[-1] - t_s[0]) / fine_s))
    step_s = float(t_s[-1] - t_s[0]) / steps
    at = (t_s - t_s[0]) / step_s
    if len(t_s) == steps + 1 and np.max(np.abs(at - np.arange(steps + 1))) < _EVEN_WITHIN:
        at = np.arange(steps + 1, dtype=np.float64)
        grid = current
    else:
        grid = np.interp(np.arange(steps + 1), at, current)
    drawn_c = np.concatenate([[0.0], np.cumsum((grid[1:] + grid[:-1]) * (0.5 * step_s))])
    blocks = _blocks(current[read], t_s[read], usual_s, edges_s)
    at_reading = at[read] + later_s / step_s if later_s else at[read]
    return Stretch(float(t_s[0]), step_s, grid, drawn_c, at_reading, voltage[read], blocks, lost_s)


def _blocks(current: Floats, t_s: Floats, usual_s: float, edges_s: Floats) -> Whole:
    """Return where blocks of readings begin: at jumps of the current and edges, then ever further apart."""
    edges = np.searchsorted(t_s, edges_s)
    within = edges[(edges > 0) & (edges < len(t_s))]
    jumped = _jumps(current)
    begins = np.concatenate([jumped, np.maximum(jumped - _BEFORE_JUMP, 0), within, [0, len(current)]])
    jumps = np.unique(begins).astype(np.int64)
    longest = max(1, int(_LONGEST_BLOCK_S / max(float(np.median(np.diff(t_s))), usual_s)))
    offsets = [0]
    while offsets[-1] < len(current):
        offsets.append(offsets[-1] + min(longest, max(1, int(offsets[-1] * (_GROWTH - 1)))))
    pattern = np.array(offsets)
    pieces = [
        begin + pattern[: np.searchsorted(pattern, end - begin)]
        for begin, end in pairwise(jumps)
        if end > begin
    ]
    return np.concatenate(pieces)


def _jumps(current: Floats) -> Whole:
    """Return the readings at which the current has jumped from the one before; the largest, if too many."""
    change = np.abs(np.diff(current))
    noise = step_noise(change)
    low, high = np.quantile(current, [0.02, 0.98])
    least = max(_JUMP_SIGMAS * noise, _JUMP_SHARE * float(high - low))
    jumped = np.flatnonzero(change > least) + 1
    if len(jumped) > _MOST_JUMPS:
        strongest = np.argsort(change[jumped - 1])[-_MOST_JUMPS:]
        jumped = np.sort(jumped[strongest])
    return jumped
