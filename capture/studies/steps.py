"""Where the current of a run steps: the edges that a resistance can be read from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.step_noise import step_noise

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.studies.columns import RunColumns

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

#: Levels are means over this long before and behind an edge, which itself may take as long as the guard on
#: either side: contactors and soft starts do. Common practice, no source.
_LEVEL_S: Final = 0.1
_GUARD_S: Final = 0.02
_LEVEL_SAMPLES: Final = 3
#: A step is larger than this share of the swing of the run's current, and than so many standard deviations.
_LEAST_SHARE: Final = 0.15
_LEAST_SIGMAS: Final = 8.0
_LEAST_A: Final = 0.2
#: Of the step so much must lie at the edge itself: seldom samples would show it from afar.
_LEAST_EDGE_SHARE: Final = 0.5
_MOST_STEPS: Final = 400
#: Within this time of a larger step (its inrush, its tail) none is taken for one of its own.
_APART_S: Final = 0.4


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the current at `t_s` (half way up or down), from one level to another, in A."""

    t_s: float
    from_a: float
    to_a: float

    @property
    def is_release(self) -> bool:
        """Whether the current fell: the voltage then recovers without the motor's ripple."""
        return abs(self.to_a) < abs(self.from_a)


def find_steps(run: RunColumns) -> tuple[Step, ...]:
    """Return the steps of the current in order of time; of very many the largest. Needs current_a.

    At each sample the mean over 0.1 s behind it is compared with that before it, 20 ms on either side left
    out; where samples are slower, of three of them each. An edge is where the difference is largest.
    """
    t_s, current = run.known("current_a")
    if len(t_s) < 4 * _LEVEL_SAMPLES:
        return ()
    usual_s = float(np.median(np.diff(t_s)))
    guard_s = max(_GUARD_S, 1.01 * usual_s)
    level_s = max(_LEVEL_S, _LEVEL_SAMPLES * usual_s)
    before, behind = _levels(t_s, current, guard_s, level_s)
    change = np.abs(behind - before)
    noise = step_noise(np.diff(current))
    low, high = np.quantile(current, [0.01, 0.99])
    samples = max(1.0, level_s / usual_s)
    least = max(_LEAST_A, _LEAST_SHARE * float(high - low), _LEAST_SIGMAS * noise / samples**0.5)
    peaks = _peaks(t_s, np.nan_to_num(change), least, max(_APART_S, guard_s + level_s))
    edges = peaks[_range_at(t_s, current, peaks, 2 * guard_s) >= _LEAST_EDGE_SHARE * change[peaks]]
    strongest = np.sort(edges[np.argsort(change[edges])[-_MOST_STEPS:]])
    steps = (
        Step(_half_way(t_s, current, row, (before[row], behind[row]), guard_s), before[row], behind[row])
        for row in strongest.tolist()
    )
    return tuple(Step(step.t_s, float(step.from_a), float(step.to_a)) for step in steps)


def _levels(t_s: Floats, current: Floats, guard_s: float, level_s: float) -> tuple[Floats, Floats]:
    """Return the mean current before and behind each sample (n each), NaN where it is not whole."""
    sums = np.concatenate([[0.0], np.cumsum(current)])
    before_stop = np.searchsorted(t_s, t_s - guard_s, "right")
    before_start = np.minimum(np.searchsorted(t_s, t_s - guard_s - level_s), before_stop - _LEVEL_SAMPLES)
    behind_start = np.searchsorted(t_s, t_s + guard_s)
    behind_stop = np.maximum(
        np.searchsorted(t_s, t_s + guard_s + level_s, "right"), behind_start + _LEVEL_SAMPLES
    )

    def mean(start: Whole, stop: Whole) -> Floats:
        whole = (start >= 0) & (stop <= len(t_s))
        first, end = np.maximum(start, 0), np.minimum(stop, len(t_s))
        means: Floats = np.where(whole, (sums[end] - sums[first]) / np.maximum(end - first, 1), np.nan)
        return means

    return mean(before_start, before_stop), mean(behind_start, behind_stop)


def _peaks(t_s: Floats, change: Floats, least: float, apart_s: float) -> Whole:
    """Return the rows at which the change is largest within `apart_s` of them, and large enough."""
    rows: list[int] = []
    above = np.flatnonzero(change >= least)
    for part in np.split(above, np.flatnonzero(np.diff(t_s[above]) > apart_s) + 1):
        left = part
        while len(left):
            best = int(left[np.argmax(change[left])])
            rows.append(best)
            left = left[np.abs(t_s[left] - t_s[best]) > apart_s]
    return np.array(sorted(rows), np.int64)


def _range_at(t_s: Floats, current: Floats, rows: Whole, around_s: float) -> Floats:
    """Return by how much the current changes right at rows (k), their neighbours included."""
    starts = np.minimum(np.searchsorted(t_s, t_s[rows] - around_s), np.maximum(rows - 1, 0))
    stops = np.maximum(np.searchsorted(t_s, t_s[rows] + around_s, "right"), np.minimum(rows + 2, len(t_s)))
    return np.array([np.ptp(current[start:stop]) for start, stop in zip(starts, stops, strict=True)])


def _half_way(t_s: Floats, current: Floats, row: int, levels: tuple[float, float], guard_s: float) -> float:
    """Return when the current passed the middle between two levels, near a row."""
    start, stop = np.searchsorted(t_s, [t_s[row] - 2 * guard_s, t_s[row] + 2 * guard_s])
    past = (current[start:stop] - sum(levels) / 2) * (levels[1] - levels[0]) > 0
    passed = np.flatnonzero(past[1:] & ~past[:-1]) + start
    if len(passed) == 0:
        return float(t_s[row])
    at = int(passed[np.argmin(np.abs(passed - row))])
    return float(t_s[at] + t_s[at + 1]) / 2
