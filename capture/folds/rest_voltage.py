"""Rest voltage: the robust mean of the voltage while the pack carries next to no current.

A rest is a stretch in which the current stays by the idle level (`hysteresis`) for at least 0.2 s. Its
voltage is the mean of the last second of it, readings further than three robust standard deviations (1.4826
times the median absolute deviation) from the median left out; where the voltage is read more seldom than the
current, of the readings that share a sample with one of the current.

`rested_s` runs from the first idle reading of the current to the last. It is a lower bound: how long the
pack rested before the recording began nobody can know, and a gap, a pause or a restart begins it anew, since
nobody saw what the pack carried meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.seam import Seam, behind, joins

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock
    from capture.folds.hysteresis import LoadRows

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

SHORTEST_REST_US: Final = 200_000
MEAN_OVER_US: Final = 1_000_000
_MOST_READINGS: Final = 4096
_MAD_TO_SIGMA: Final = 1.4826
_WIDTH_SIGMAS: Final = 3.0


@dataclass(frozen=True, slots=True)
class Rest:
    """One finished or running rest: its voltage, how long it had lasted, its last sample's tick."""

    voltage_v: float
    rested_s: float
    end_tick_us: int


@dataclass(frozen=True, slots=True, eq=False)
class RestVoltage:
    """The rest before the first load, the latest one, and the stretch that may become one.

    `recent` are the latest rest of earlier blocks and those of the last block, in order: whoever must know
    the rest before a moment inside that block finds it there. `ticks_us` and `voltages_v` are the readings
    of the stretch that count for its mean.
    """

    before_load: Rest | None = None
    latest: Rest | None = None
    recent: tuple[Rest, ...] = ()
    load_seen: bool = False
    stretch_start_us: int | None = None
    ticks_us: Whole = field(default_factory=lambda: np.empty(0, np.int64))
    voltages_v: Floats = field(default_factory=lambda: np.empty(0))
    seam: Seam | None = None


def update(state: RestVoltage, block: SampleBlock, load: LoadRows) -> RestVoltage:
    """Return the state after `block`, which needs the columns current_a and voltage_v.

    Whether the pack rests is told by every reading of the current, however seldom the voltage is read.
    """
    if not joins(state.seam, block):  # nobody saw what the pack carried meanwhile
        state = _after_load(state, load_seen=state.load_seen)
    earlier = () if state.latest is None else (state.latest,)
    state = replace(state, recent=earlier, seam=behind(block))
    rows, idle = load.rows, load.idle
    if len(rows) == 0:
        return state
    voltage = block.columns["voltage_v"][rows].astype(np.float64)
    for start, stop in _possible_rests(block.ticks_us[rows], idle):
        if start > 0:
            state = _after_load(state, load_seen=True)
        state = _rest_on(state, block.ticks_us[rows[start:stop]], voltage[start:stop])
    return state if idle[-1] else _after_load(state, load_seen=True)


def _possible_rests(ticks: Whole, idle: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return where idle stretches lie that last long enough or reach beyond either end of the block."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], idle, [False]]))).reshape(-1, 2)
    starts, stops = edges[:, 0], edges[:, 1]
    lasted = ticks[stops - 1] - ticks[starts] >= SHORTEST_REST_US
    possible = edges[lasted | (starts == 0) | (stops == len(idle))]
    return [(int(start), int(stop)) for start, stop in possible]


def _after_load(state: RestVoltage, *, load_seen: bool) -> RestVoltage:
    """Return the state with no stretch of idling under way."""
    return RestVoltage(state.before_load, state.latest, state.recent, load_seen, seam=state.seam)


def _rest_on(state: RestVoltage, ticks: Whole, voltage: Floats) -> RestVoltage:
    """Lengthen the current stretch of idling; only its last second of readings is kept."""
    started = int(ticks[0]) if state.stretch_start_us is None else state.stretch_start_us
    end = int(ticks[-1])
    read = ~np.isnan(voltage)
    ticks = np.concatenate([state.ticks_us, ticks[read]])
    voltage = np.concatenate([state.voltages_v, voltage[read]])
    keep = max(int(np.searchsorted(ticks, end - MEAN_OVER_US)), len(ticks) - _MOST_READINGS)
    ticks, voltage = ticks[keep:], voltage[keep:]
    rest = None
    if end - started >= SHORTEST_REST_US and len(voltage):
        rest = Rest(robust_mean(voltage), (end - started) * 1e-6, end)
    return RestVoltage(
        before_load=state.before_load if state.load_seen or rest is None else rest,
        latest=rest or state.latest,
        recent=state.recent if rest is None else (*state.recent, rest),
        load_seen=state.load_seen,
        stretch_start_us=started,
        ticks_us=ticks,
        voltages_v=voltage,
        seam=state.seam,
    )


def robust_mean(readings: npt.NDArray[np.float64]) -> float:
    """Return the mean of the readings that lie within three robust standard deviations of the median."""
    middle = float(np.median(readings))
    deviation = np.abs(readings - middle)
    width = _WIDTH_SIGMAS * _MAD_TO_SIGMA * float(np.median(deviation))
    return float(readings[deviation <= width].mean())
