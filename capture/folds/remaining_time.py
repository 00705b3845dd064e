"""Remaining time: from now until the loaded pack reaches its cut-off voltage, with a 90 % range.

First version. The loaded voltage is taken as v = n U(z) - r i - s m with z falling in a straight line with
the charge drawn: a line in the charge alone (v = a - r i - b q) cannot see the knee coming and was three to
five times too long on the virtual packs. U is the open-circuit curve of `capture.open_circuit`, n the groups
in series, m the mean current of the latest minutes, pauses included.

1. r: least squares of v against i and charge over samples under load, forgotten with the charge drawn. It
holds what a cut of seconds shows; the slow polarisation s behind it cannot be told from the charge drawn and
is taken as SLOW_SHARE of r.
2. z of each block: U inverted at the mean of (v + r i + s m) / n.
3. The line of z against charge by least squares with a long memory: its slope is one over the capacity. Where
the pack stands now is told by a short memory.
4. The charge until n U(z) - r i - s m is the cut-off at the mean current under load, over m.

The range takes in that cells of one chemistry follow the curve only so well (CURVE_SD), that s is a guess
(SLOW_SHARE_SD), what both do to the slope over the charge states seen, and that work varies (PATTERN_SD).
Thresholds and allowances are common practice, no source. None without cut-off or groups, before the pack was
seen to fall by LEAST_FALL of its charge, or where the fit makes no sense. A break in the samples begins the
fit anew, because nobody knows what was drawn meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, hypot
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.seam import Seam, behind, joins, steps_s
from capture.open_circuit import nmc_charge_state, nmc_voltage

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock
    from capture.folds.hysteresis import LoadRows

    Floats = npt.NDArray[np.float64]

#: Memories as shares of the charge drawn so far, so that they fit small and large packs.
R_MEMORY: Final = 0.2
LINE_MEMORY: Final = 0.7
NOW_MEMORY: Final = 0.05
LEAST_MEMORY_C: Final = 100.0
PATTERN_MEMORY_S: Final = 120.0
LEAST_LOADED_S: Final = 10.0
LEAST_FALL: Final = 0.2
CURVE_SD: Final = 0.03
PATTERN_SD: Final = 0.1
#: A pack reads about half as much again after half a minute of load as at once.
SLOW_SHARE: Final = 0.3
SLOW_SHARE_SD: Final = 0.2
_RANGE_SDS: Final = 1.645  # 90 % of a normal distribution, two-sided (JCGM 100:2008, table G.1)
_CHARGE_UNIT_C: Final = 1000.0  # keeps the moments near one


@dataclass(frozen=True, slots=True)
class PackLimits:
    """What must be known of the pack: the terminal voltage at which work ends, and its groups in series."""

    cutoff_v: float
    series: int


@dataclass(frozen=True, slots=True)
class Remaining:
    """Seconds until the cut-off under the present pattern of work: the value and its 90 % range."""

    value_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class LastLoad:
    """The last sample that had current and voltage."""

    index: int
    tick_us: int
    current_a: float


@dataclass(frozen=True, slots=True, eq=False)
class RemainingTime:
    """The sums so far. Charges in the moments count from now, in units of 1000 C, so all are zero or below.

    `drawn_c` since the first sample; `volts` (4, 4) moments of (1, current, charge, voltage - cut-off),
    weighted by seconds under load; `line` and `now` (3, 3) of (1, charge, z); `first_z` the highest mean z of
    a block;
    `pattern` (charge in C, seconds) forgotten with time.
    """

    drawn_c: float = 0.0
    volts: Floats = field(default_factory=lambda: np.zeros((4, 4)))
    line: Floats = field(default_factory=lambda: np.zeros((3, 3)))
    now: Floats = field(default_factory=lambda: np.zeros((3, 3)))
    first_z: float = 0.0
    pattern: tuple[float, float] = (0.0, 0.0)
    last: LastLoad | None = None
    seam: Seam | None = None


def update(
    state: RemainingTime, block: SampleBlock, load: LoadRows, limits: PackLimits, spacing: int
) -> RemainingTime:
    """Return the state after `block`; `spacing`: samples from one with current and voltage to the next.

    A sample is under load where its current reaches what `load` says a load must reach.
    """
    if not joins(state.seam, block):
        state = RemainingTime(drawn_c=state.drawn_c, pattern=state.pattern)
    state = replace(state, seam=behind(block))
    current = block.columns["current_a"].astype(np.float64)
    voltage = block.columns["voltage_v"].astype(np.float64)
    rows = np.flatnonzero(~np.isnan(current) & ~np.isnan(voltage))
    if len(rows) == 0:
        return state
    current, voltage = current[rows], voltage[rows]
    steps, charges = _steps(state, block, rows, current, spacing)
    state = _moved(state, float(charges.sum()), float(steps.sum()))
    from_now = (np.cumsum(charges) - charges.sum()) / _CHARGE_UNIT_C
    loaded = current >= load.start_a[np.searchsorted(load.rows, rows)]
    last = LastLoad(block.first_index + int(rows[-1]), int(block.ticks_us[rows[-1]]), float(current[-1]))
    state = replace(state, last=last)
    weights = steps[loaded]
    if weights.sum() <= 0:
        return state
    current, voltage, from_now = current[loaded], voltage[loaded], from_now[loaded]
    state = replace(
        state, volts=state.volts + _moments(weights, current, from_now, voltage - limits.cutoff_v)
    )
    resistance = _resistance(state)
    if resistance is None:
        return state
    slow_v = SLOW_SHARE * resistance * _mean_current_a(state)
    group_v = (voltage + resistance * current + slow_v) / limits.series
    mean_z = _charge_state(float(np.average(group_v, weights=weights)))
    at = float(np.average(from_now, weights=weights))
    point = _moments(np.array([weights.sum()]), np.array([at]), np.array([mean_z]))
    return replace(state, line=state.line + point, now=state.now + point, first_z=max(state.first_z, mean_z))


def report(state: RemainingTime, limits: PackLimits) -> Remaining | None:
    """Return the remaining time, or None where it cannot be told yet."""
    resistance, fit, mean_a = _resistance(state), _line(state), _mean_current_a(state)
    if resistance is None or fit is None or mean_a <= 0:
        return None
    slope, now_z = fit
    loaded_a = state.volts[0, 1] / state.volts[0, 0]
    slow_v = SLOW_SHARE * resistance * mean_a
    end_z = _charge_state((limits.cutoff_v + resistance * loaded_a + slow_v) / limits.series)
    seen_z = state.first_z - now_z
    if seen_z < LEAST_FALL or slope <= 0:
        return None
    off_v = SLOW_SHARE_SD * resistance * mean_a / limits.series
    now_sd = hypot(CURVE_SD, off_v / _curve_slope(now_z))
    seconds_per_z = _CHARGE_UNIT_C / slope / mean_a
    value_s = max(now_z - end_z, 0.0) * seconds_per_z
    spread_s = _RANGE_SDS * hypot(now_sd * seconds_per_z, value_s * hypot(now_sd / seen_z, PATTERN_SD))
    return Remaining(value_s, max(value_s - spread_s, 0.0), value_s + spread_s)


def _charge_state(group_v: float) -> float:
    return float(nmc_charge_state(np.array([group_v]))[0])


def _curve_slope(charge_state: float) -> float:
    """Return how steep the open-circuit curve is there, in V per unit of charge state, over a tenth of it."""
    around = np.clip([charge_state - 0.05, charge_state + 0.05], 0.0, 1.0)
    low_v, high_v = nmc_voltage(around)
    return float((high_v - low_v) / (around[1] - around[0]))


def _mean_current_a(state: RemainingTime) -> float:
    """Return the mean current of the latest minutes, pauses included; 0 before there is one."""
    charge_c, span_s = state.pattern
    return charge_c / span_s if span_s > 0 else 0.0


def _steps(
    state: RemainingTime, block: SampleBlock, rows: npt.NDArray[np.int64], current: Floats, spacing: int
) -> tuple[Floats, Floats]:
    """Return the seconds and the charge of the step that leads to each reading; 0 where none does."""
    ticks, indices, line = block.ticks_us[rows], block.first_index + rows, current
    if state.last is not None:
        ticks = np.concatenate([[state.last.tick_us], ticks])
        indices = np.concatenate([[state.last.index], indices])
        line = np.concatenate([[state.last.current_a], line])
    steps = steps_s(ticks, indices, spacing)
    charges = (line[1:] + line[:-1]) * 0.5 * steps
    missing = len(rows) - len(steps)
    return np.concatenate([np.zeros(missing), steps]), np.concatenate([np.zeros(missing), charges])


def _moved(state: RemainingTime, charge_c: float, span_s: float) -> RemainingTime:
    """Return the state with the origin of charge moved to now, older sums forgotten accordingly."""
    drawn = state.drawn_c + charge_c

    def kept(memory: float) -> float:
        return exp(-max(charge_c, 0.0) / max(memory * drawn, LEAST_MEMORY_C))

    kept_pattern = exp(-span_s / PATTERN_MEMORY_S)
    shift = charge_c / _CHARGE_UNIT_C
    return replace(
        state,
        drawn_c=drawn,
        volts=kept(R_MEMORY) * _shifted(state.volts, 2, shift),
        line=kept(LINE_MEMORY) * _shifted(state.line, 1, shift),
        now=kept(NOW_MEMORY) * _shifted(state.now, 1, shift),
        pattern=(kept_pattern * state.pattern[0] + charge_c, kept_pattern * state.pattern[1] + span_s),
    )


def _moments(weights: Floats, *columns: Floats) -> Floats:
    """Return the weighted second moments of (1, *columns)."""
    rows = np.column_stack([np.ones(len(weights)), *columns])
    return (rows * weights[:, None]).T @ rows


def _shifted(moments: Floats, column: int, shift: float) -> Floats:
    """Return the moments with `shift` taken off one column."""
    change = np.eye(len(moments))
    change[column, 0] = -shift
    return change @ moments @ change.T


def _resistance(state: RemainingTime) -> float | None:
    """Return r in ohm from the samples under load; None while there are too few or they do not differ."""
    seconds = state.volts[0, 0]
    if seconds < LEAST_LOADED_S:
        return None
    means = state.volts[0] / seconds
    spread = state.volts / seconds - np.outer(means, means)
    among, with_voltage = spread[1:3, 1:3], spread[1:3, 3]
    determinant = among[0, 0] * among[1, 1] - among[0, 1] * among[1, 0]
    if among[0, 0] <= 0 or determinant <= 1e-6 * among[0, 0] * among[1, 1]:
        return None
    slope = (with_voltage[0] * among[1, 1] - with_voltage[1] * among[0, 1]) / determinant
    return float(-slope) if slope < 0 else None


def _line(state: RemainingTime) -> tuple[float, float] | None:
    """Return by how much z falls per 1000 C, and z now; None while the line has no length."""
    seconds, latest_s = state.line[0, 0], state.now[0, 0]
    if seconds <= 0 or latest_s <= 0:
        return None
    means = state.line[0] / seconds
    spread = state.line / seconds - np.outer(means, means)
    if spread[1, 1] <= 0:
        return None
    slope = float(-spread[1, 2] / spread[1, 1])
    at, latest_z = state.now[0, 1:] / latest_s
    return slope, float(latest_z + slope * at)
