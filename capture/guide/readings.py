"""What a guided test reads from the samples: the load, the voltage at rest with its drift, noise and limits.

Everything is told from one cell of samples after the other, and a cell never depends on how the samples came.
The drift is the slope of the means of the latest cells at rest (least squares). A voltage has settled where
it drifts by less than `SETTLED_SHARE` of itself a second, a tenth of a millivolt a second for a cell of 4 V,
or by no more than its scatter can tell. Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds import load_spell, noise
from capture.folds.hysteresis import HOLD_US
from capture.folds.load_spell import LEAST_LOAD_US, LoadSpell
from capture.folds.seam import Seam, behind, out_of_sight
from capture.pack_limits import passed

if TYPE_CHECKING:
    from capture.blocks import SampleBlock
    from capture.folds.hysteresis import LoadRows
    from capture.pack_limits import Alarm
    from capture.run_card import RunCard

NEEDED: Final = ("current_a", "voltage_v")
SETTLED_SHARE: Final = 2.5e-5
#: Cells whose means tell the drift: five seconds of cells of a fifth of a second.
_DRIFT_CELLS: Final = 25
_LEAST_CELLS: Final = 8
#: A sag is told where it is so many deviations of the mean over 0.1 s, the shortest time that is reported.
_LEAST_SIGMAS: Final = 20.0
_SHORTEST_S: Final = 0.1
#: A current beside that at rest: above a draught of electronics, and above the noise of a cell's mean.
_LEAST_FLOW_A: Final = 0.05
_FLOW_SIGMAS: Final = 8.0
#: A pack's electronics act within a tenth of a second, which no mean shows: a reading so near will do.
_NEAR: Final = 1.02
_MOSTLY: Final = 0.5


@dataclass(frozen=True, slots=True)
class Drift:
    """The slope of the voltage at rest and its standard uncertainty, in V/s, at a voltage in V."""

    v_per_s: float
    u: float
    voltage_v: float

    @property
    def has_settled(self) -> bool:
        """Whether the voltage moves too little to matter, or to be told."""
        return abs(self.v_per_s) <= max(SETTLED_SHARE * abs(self.voltage_v), 2 * self.u)


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What the samples have told up to the end of a cell, at `now_us`.

    `since_us` is the cell's first tick; `current_a` and `voltage_v` are its means. `lost_sight` says that
    nobody knows what went on before it; `idle` that the pack carried next to nothing. `rest` has of the
    latest cells at rest the middle in s, the voltage and the current. `rate_hz` is that of the voltage,
    `readings` how many of the current the cell has. `rest_since_us` is since when the pack is known to rest,
    None under load. `at_cutoff` tells that under the load of the moment the voltage came so near to the
    cut-off that the pack's own electronics may have acted.
    """

    spell: LoadSpell = field(default_factory=LoadSpell)
    noise: noise.Noise = field(default_factory=noise.Noise)
    seam: Seam | None = None
    since_us: int = 0
    now_us: int = 0
    current_a: float | None = None
    voltage_v: float | None = None
    rate_hz: float = 0.0
    readings: int = 0
    lost_sight: bool = False
    idle: bool = False
    rest_since_us: int | None = None
    rest: tuple[tuple[float, float, float], ...] = ()
    at_cutoff: Alarm | None = None
    alarms: tuple[Alarm, ...] = ()

    @property
    def load_is_on(self) -> bool:
        """Whether a load is there that is more than a spike."""
        return self.spell.is_there and self.spell.lasted_us >= LEAST_LOAD_US

    @property
    def least_load_a(self) -> float:
        """What a load must reach above the current at rest to be told as one."""
        thresholds = self.spell.load.learnt.thresholds()
        return thresholds.start_a - thresholds.level_a

    def flows_beside(self, rest_a: float) -> float | None:
        """Return the current above that at rest, where it is more than noise; else None."""
        if self.current_a is None or not self.noise.channels:
            return None
        sigma_a = self.noise.channels["current_a"].at_rest or 0.0
        above_a = self.current_a - rest_a
        least_a = max(_LEAST_FLOW_A, _FLOW_SIGMAS * sigma_a / max(1, self.readings) ** 0.5)
        return above_a if above_a > least_a else None

    @property
    def rest_v(self) -> float | None:
        """The voltage over the latest second at rest; None where the pack has not rested yet."""
        return self._rested(1)

    @property
    def rest_a(self) -> float | None:
        """The current over the latest second at rest, an offset of the shunt perhaps; None as above."""
        return self._rested(2)

    def _rested(self, column: int) -> float | None:
        latest = [cell[column] for cell in self.rest if cell[0] >= self.rest[-1][0] - 1.0]
        return float(np.mean(latest)) if latest else None

    @property
    def least_sag_v(self) -> float:
        """What a sag must reach to be told from the noise."""
        sigma_v = self.noise.channels["voltage_v"].at_rest if self.noise.channels else None
        return float(_LEAST_SIGMAS * (sigma_v or 0.0) / max(1.0, _SHORTEST_S * self.rate_hz) ** 0.5)

    def drift(self) -> Drift | None:
        """Return how the voltage drifts at rest; None where it has not rested for long enough to tell."""
        if len(self.rest) < _LEAST_CELLS:
            return None
        t_s, volts, _ = np.array(self.rest).T
        around_s, around_v = t_s - t_s.mean(), volts - volts.mean()
        squares = float(around_s @ around_s)
        slope = float(around_s @ around_v) / squares
        left = around_v - slope * around_s
        u = float(np.sqrt(left @ left / (len(t_s) - 2) / squares))
        return Drift(slope, u, float(volts.mean()))


def update(state: Readings, cell: SampleBlock, card: RunCard) -> Readings:
    """Return what is read after one more cell, which needs the columns `NEEDED`."""
    lost_sight = out_of_sight(state.seam, cell, state.now_us, HOLD_US)
    spell, load = load_spell.update(state.spell, cell)
    electrical = replace(cell, columns={name: cell.columns[name] for name in NEEDED})
    means = {name: _mean(column) for name, column in cell.columns.items()}
    voltage_v = means["voltage_v"]
    read = int(np.count_nonzero(~np.isnan(cell.columns["voltage_v"])))
    span_s = max(int(cell.ticks_us[-1]) - int(cell.ticks_us[0]), 1) * 1e-6
    state = replace(
        state,
        spell=spell,
        noise=noise.update(state.noise, electrical, load),
        seam=behind(cell),
        since_us=int(cell.ticks_us[0]),
        now_us=int(cell.ticks_us[-1]),
        current_a=means["current_a"],
        voltage_v=voltage_v,
        rate_hz=read / span_s if read > 1 else 0.0,
        readings=len(load.rows),
        lost_sight=lost_sight,
        idle=_is_idle(load),
        alarms=tuple(passed(means, card)),
    )
    state = replace(state, rest_since_us=_rest_since_us(state), at_cutoff=_at_cutoff(state, cell, card))
    rest = () if lost_sight or state.load_is_on else state.rest
    if state.idle and not state.spell.is_there and voltage_v is not None and state.current_a is not None:
        middle_s = (state.since_us + state.now_us) * 0.5e-6
        rest = (*rest, (middle_s, voltage_v, state.current_a))[-_DRIFT_CELLS:]
    return replace(state, rest=rest)


def _rest_since_us(state: Readings) -> int | None:
    """Return since when the pack rests, where a cell has been read; the earlier answer stands if it may."""
    if state.load_is_on:
        return None
    if state.lost_sight:
        return state.since_us
    if state.rest_since_us is not None:
        return state.rest_since_us
    gone_us = state.spell.latest_us
    return state.since_us if gone_us is None else gone_us


def _at_cutoff(state: Readings, cell: SampleBlock, card: RunCard) -> Alarm | None:
    """Return the lowest reading of a cell under load where it came near to the cut-off; else what stands."""
    if not state.load_is_on or card.cutoff_v is None:
        return None
    lowest = {
        name: None if np.isnan(column).all() else float(np.nanmin(column))
        for name, column in cell.columns.items()
    }
    near = replace(card, cutoff_v=_NEAR * card.cutoff_v, max_current_a=None, max_temperature_degc=None)
    found = next(passed(lowest, near), None)
    return state.at_cutoff if found is None else replace(found, limit=found.limit / _NEAR)


def _is_idle(load: LoadRows) -> bool:
    return len(load.idle) > 0 and float(load.idle.mean()) > _MOSTLY


def _mean(column: np.ndarray[tuple[int], np.dtype[np.float32 | np.float64]]) -> float | None:
    known = column[~np.isnan(column)]
    return float(known.mean(dtype=np.float64)) if len(known) else None
