"""By how much a logger reads the voltage later than the current, as the run itself shows it.

One converter reads channel after channel, and some loggers write what one of them read an interval ago. At
an edge of the current half an interval is half of the step: the ohmic part would be wrong by several percent.
At steep moments the change of the voltage from reading to reading is, but for what relaxes, a multiple of
that of the current at the same instant; so the delay is the one at which a fit of it leaves the least.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.relaxation import relaxed_current
from capture.studies.step_noise import step_noise

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.studies.columns import RunColumns

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

#: Delays that are tried, in intervals between samples.
_TRIED: Final = np.linspace(-1.6, 1.6, 33)
#: What relaxes this fast, in intervals, is not taken for a delay.
_RELAXES: Final = (4.0, 100.0)
#: A moment is steep where the current changes by more than so many standard deviations of its noise, and
#: than this share of its swing.
_LEAST_SIGMAS: Final = 8.0
_LEAST_SHARE: Final = 0.02
_AROUND: Final = (-2, 4)
_FEWEST_EDGES: Final = 4
_MOST_ROWS: Final = 40_000
_PARTS: Final = 8
#: A delay is told where it is larger than this, in intervals, and than so many uncertainties. A smaller one
#: may be what the current does between two samples.
_LEAST: Final = 0.1
_LEAST_US: Final = 3.0
#: A delay is known to no better than this, in intervals: what an edge does within one is not seen.
_LEAST_U: Final = 0.03
#: A delay beside which the fit leaves more than this share of what it leaves without is none.
_BETTER: Final = 0.9
#: So many rows on either side of a moment take part, none further from the next than so many intervals.
_REACH: Final = 6
_MOST_APART: Final = 1.3
_FEWEST_ROWS: Final = _FEWEST_EDGES * (_AROUND[1] - _AROUND[0])
_MADS: Final = 1.4826


@dataclass(frozen=True, slots=True)
class Skew:
    """How many intervals the voltage is read later than the current, and its standard uncertainty.

    0 with the uncertainty where the run does not show one, by how much there may be one all the same.
    """

    intervals: float
    u: float
    interval_s: float

    @property
    def later_s(self) -> float:
        """By how many seconds the voltage is read later than the current that stands beside it."""
        return self.intervals * self.interval_s

    def in_words(self) -> str | None:
        """Return what was corrected in a sentence; None where nothing was."""
        if self.intervals == 0:
            return None
        when = "later" if self.intervals > 0 else "earlier"
        late_ms = 1e3 * abs(self.later_s)
        return f"the voltage was read {late_ms:.1f} ms {when} than the current, as edges show: corrected"


def skew_of(run: RunColumns) -> Skew | None:
    """Return the skew between current_a and voltage_v; None where the run has too few steep moments.

    The uncertainty is by how much parts of the run differ, over the root of their number.
    """
    t_s, current, voltage = _both(run)
    if len(t_s) < 4 * _REACH:
        return None
    interval_s = float(np.median(np.diff(t_s)))
    rows = _steep(current)
    if interval_s <= 0 or len(rows) < _FEWEST_ROWS:
        return None
    whole = np.diff(t_s) < _MOST_APART * interval_s
    holes = np.cumsum(np.concatenate([[0], ~whole]))
    rows = rows[holes[rows + _REACH] == holes[rows - _REACH]]
    if len(rows) < _FEWEST_ROWS:
        return None
    squares = _left_squares(current, voltage, interval_s, rows)
    totals = squares.sum(axis=1)
    told = _least(totals)
    each = np.array([_least(part.sum(axis=1)) for part in np.array_split(squares, _PARTS, axis=1)])
    u = max(_LEAST_U, _MADS * float(np.median(np.abs(each - told))) / _PARTS**0.5)
    better = totals.min() < _BETTER * totals[len(_TRIED) // 2]
    if abs(told) < max(_LEAST, _LEAST_US * u) or not better:
        return Skew(0.0, max(u, abs(told)), interval_s)
    return Skew(told, u, interval_s)


def _both(run: RunColumns) -> tuple[Floats, Floats, Floats]:
    current, voltage = run.columns["current_a"], run.columns["voltage_v"]
    there = ~(np.isnan(current) | np.isnan(voltage))
    return run.t_s[there], current[there], voltage[there]


def _steep(current: Floats) -> Whole:
    """Return the rows around which the current changes fast."""
    low, high = np.quantile(current, [0.02, 0.98])
    least = max(_LEAST_SIGMAS * step_noise(np.diff(current)), _LEAST_SHARE * float(high - low))
    at = np.flatnonzero(np.abs(current[2:] - current[:-2]) > least) + 1
    steep = np.zeros(len(current), dtype=bool)
    for offset in range(*_AROUND):
        steep[np.clip(at + offset, 0, len(current) - 1)] = True
    steep[:_REACH] = steep[-_REACH:] = False
    rows = np.flatnonzero(steep)
    return rows if len(rows) <= _MOST_ROWS else rows[:: -(-len(rows) // _MOST_ROWS)]


def _left_squares(current: Floats, voltage: Floats, interval_s: float, rows: Whole) -> Floats:
    """Return what a fit leaves at each row for each delay tried (delays, rows), squared."""
    aim = voltage[rows] - voltage[rows - 1]
    squares = np.empty((len(_TRIED), len(rows)))
    relaxed = [relaxed_current(current, interval_s, tau * interval_s) for tau in _RELAXES]
    for number, later in enumerate(_TRIED):
        columns = np.column_stack(
            [_at(row, rows, later) - _at(row, rows - 1, later) for row in (current, *relaxed)]
        )
        found, *_ = np.linalg.lstsq(columns, aim, rcond=None)
        squares[number] = (aim - columns @ found) ** 2
    return squares


def _at(series: Floats, rows: Whole, later: float) -> Floats:
    """Return a series at `rows + later`, by the cubic through the four values around (Lagrange)."""
    whole = int(np.floor(later))
    part = later - whole
    weights = (
        -part * (part - 1) * (part - 2) / 6,
        (part + 1) * (part - 1) * (part - 2) / 2,
        -(part + 1) * part * (part - 2) / 2,
        (part + 1) * part * (part - 1) / 6,
    )
    first = rows + whole - 1
    values: Floats = np.sum([weight * series[first + place] for place, weight in enumerate(weights)], axis=0)
    return values


def _least(squares: Floats) -> float:
    """Return the delay at which squares (delays) are least, by a parabola through the least three."""
    at = int(np.clip(np.argmin(squares), 1, len(squares) - 2))
    before, least, behind = squares[at - 1 : at + 2]
    bend = before - 2 * least + behind
    moved = 0.5 * (before - behind) / bend if bend > 0 else 0.0
    return float(_TRIED[at] + np.clip(moved, -1, 1) * (_TRIED[1] - _TRIED[0]))
