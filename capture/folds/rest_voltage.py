"""Rest voltage: the robust mean of the voltage while the pack carries next to no current.

A rest is a stretch in which |I| stays below the idle threshold for at least 0.2 s. Its voltage is the mean of
the last second of it, readings further than three robust standard deviations (1.4826 times the median
absolute deviation) from the median left out. How long the pack rested before the recording began nobody
can know from the recording: `rested_s` is a lower bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

#: Below this a cordless tool does no work; its own electronics draw less. Common practice, no source.
IDLE_CURRENT_A: Final = 0.5
SHORTEST_REST_US: Final = 200_000
MEAN_OVER_US: Final = 1_000_000
_MOST_READINGS: Final = 4096
_MAD_TO_SIGMA: Final = 1.4826
_WIDTH_SIGMAS: Final = 3.0


@dataclass(frozen=True, slots=True)
class Rest:
    """One finished or running rest: its voltage and how long it had lasted."""

    voltage_v: float
    rested_s: float
    end_tick_us: int


@dataclass(frozen=True, slots=True, eq=False)
class RestVoltage:
    """The rest before the first load, the latest one, and the stretch that may become one."""

    before_load: Rest | None = None
    latest: Rest | None = None
    load_seen: bool = False
    segment: int = 0
    stretch_start_us: int | None = None
    ticks_us: npt.NDArray[np.int64] | None = None
    voltages_v: npt.NDArray[np.float64] | None = None


def update(state: RestVoltage, block: SampleBlock) -> RestVoltage:
    """Return the state after `block`, which needs the columns current_a and voltage_v."""
    current = block.columns["current_a"].astype(np.float64)
    voltage = block.columns["voltage_v"].astype(np.float64)
    known = ~np.isnan(current) & ~np.isnan(voltage)
    ticks, current, voltage = block.ticks_us[known], current[known], voltage[known]
    if block.segment != state.segment:
        state = RestVoltage(state.before_load, state.latest, state.load_seen, block.segment)
    idle = np.abs(current) < IDLE_CURRENT_A
    edges = np.flatnonzero(np.diff(idle)) + 1
    for start, stop in zip([0, *edges], [*edges, len(idle)], strict=True):
        if start == stop:
            continue
        if idle[start]:
            state = _rest_on(state, ticks[start:stop], voltage[start:stop])
        else:
            state = RestVoltage(state.before_load, state.latest, load_seen=True, segment=state.segment)
    return state


def _rest_on(
    state: RestVoltage, ticks: npt.NDArray[np.int64], voltage: npt.NDArray[np.float64]
) -> RestVoltage:
    """Lengthen the current stretch of idling; only its last second of readings is kept."""
    started = int(ticks[0]) if state.stretch_start_us is None else state.stretch_start_us
    if state.ticks_us is not None and state.voltages_v is not None:
        ticks = np.concatenate([state.ticks_us, ticks])
        voltage = np.concatenate([state.voltages_v, voltage])
    end = int(ticks[-1])
    keep = max(int(np.searchsorted(ticks, end - MEAN_OVER_US)), len(ticks) - _MOST_READINGS)
    ticks, voltage = ticks[keep:], voltage[keep:]
    rest = None
    if end - started >= SHORTEST_REST_US:
        rest = Rest(robust_mean(voltage), (end - started) * 1e-6, end)
    return RestVoltage(
        before_load=state.before_load if state.load_seen else rest,
        latest=rest or state.latest,
        load_seen=state.load_seen,
        segment=state.segment,
        stretch_start_us=started,
        ticks_us=ticks,
        voltages_v=voltage,
    )


def robust_mean(readings: npt.NDArray[np.float64]) -> float:
    """Return the mean of the readings that lie within three robust standard deviations of the median."""
    middle = float(np.median(readings))
    deviation = np.abs(readings - middle)
    width = _WIDTH_SIGMAS * _MAD_TO_SIGMA * float(np.median(deviation))
    return float(readings[deviation <= width].mean())
