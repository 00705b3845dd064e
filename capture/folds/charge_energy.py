"""Charge and energy by the trapezoid on the logger's ticks; gaps are never bridged.

Energy is the integral of the product V*I, sample by sample (not the product of means). Sums are in float64.

A step between two samples is returned while its mean current is below `RETURN_CURRENT_A`; all other steps
are discharged, with their sign. So net is discharged minus returned exactly, and the noise of an idle
sensor, which is as often below zero as above, cancels in both instead of being counted as returned.
There is no hysteresis: a brake's current passes the band in milliseconds, and a state held down to zero
would hold the noise behind the brake.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.blocks import Quality
from capture.folds.exposure import Exposure
from capture.folds.seam import Seam, behind, joins, steps_s

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.int64]

#: Braking and charging carry amperes; noise and offset of a hobby shunt stay far inside. The same width as
#: the idle band of the rest voltage. Common practice, no source.
RETURN_CURRENT_A: Final = -0.5


@dataclass(frozen=True, slots=True)
class LastReading:
    """The last sample that had current and voltage: what the next step starts from."""

    index: int
    tick_us: int
    current_a: float
    voltage_v: float
    power_w: float


@dataclass(frozen=True, slots=True)
class ChargeEnergy:
    """Charge in coulomb and energy in joule so far; `integrated_s` is the time they cover.

    `exposure` are the sums from which their uncertainties follow.
    """

    charge_discharged_c: float = 0.0
    charge_returned_c: float = 0.0
    energy_discharged_j: float = 0.0
    energy_returned_j: float = 0.0
    integrated_s: float = 0.0
    has_readings: bool = False
    exposure: Exposure = field(default_factory=Exposure)
    last: LastReading | None = None
    seam: Seam | None = None

    @property
    def charge_c(self) -> float:
        """Net charge: discharged minus returned."""
        return self.charge_discharged_c - self.charge_returned_c

    @property
    def energy_j(self) -> float:
        """Net energy: discharged minus returned."""
        return self.energy_discharged_j - self.energy_returned_j


def update(state: ChargeEnergy, block: SampleBlock, spacing: int = 1) -> ChargeEnergy:
    """Return the state after `block`, which needs the columns current_a and voltage_v.

    Current and voltage are due together every `spacing` samples. Samples in which either is missing are
    passed over; `seam.steps_s` says which neighbours are joined.
    """
    current = block.columns["current_a"].astype(np.float64)
    voltage = block.columns["voltage_v"].astype(np.float64)
    rows = np.flatnonzero(~np.isnan(current * voltage))
    joined = joins(state.seam, block)
    if len(rows) == 0:
        return replace(state, last=state.last if joined else None, seam=behind(block))
    current, voltage = current[rows], voltage[rows]
    ticks, indices = block.ticks_us[rows], block.first_index + rows
    exposure = state.exposure if joined else _over_the_gap(state, block, ticks, current, voltage)
    if joined and state.last is not None:
        current = np.concatenate([[state.last.current_a], current])
        voltage = np.concatenate([[state.last.voltage_v], voltage])
        ticks = np.concatenate([[state.last.tick_us], ticks])
        indices = np.concatenate([[state.last.index], indices])
    power = current * voltage
    steps = steps_s(ticks, indices, spacing)
    mean_current = (current[1:] + current[:-1]) * 0.5
    charge, energy = mean_current * steps, (power[1:] + power[:-1]) * 0.5 * steps
    returned = mean_current < RETURN_CURRENT_A
    hidden = np.where(steps == 0.0, np.maximum(np.diff(ticks), 0) * 1e-6, 0.0)
    exposure = exposure.plus_steps(current, voltage, steps, returned).plus_hidden(current, power, hidden)
    last = LastReading(
        int(indices[-1]), int(ticks[-1]), float(current[-1]), float(voltage[-1]), float(power[-1])
    )
    return ChargeEnergy(
        state.charge_discharged_c + float(charge[~returned].sum()),
        state.charge_returned_c - float(charge[returned].sum()),
        state.energy_discharged_j + float(energy[~returned].sum()),
        state.energy_returned_j - float(energy[returned].sum()),
        state.integrated_s + float(steps.sum()),
        has_readings=True,
        exposure=exposure,
        last=last,
        seam=behind(block),
    )


def _over_the_gap(
    state: ChargeEnergy, block: SampleBlock, ticks: Whole, current: Floats, voltage: Floats
) -> Exposure:
    """Return the exposure with what lies between the last reading and the first behind a break.

    A pause is none: the logger was stopped on purpose, and the run is what it measured.
    """
    last = state.last
    if last is None or block.quality[0] & np.uint32(Quality.AFTER_PAUSE):
        return state.exposure
    seconds = max(int(ticks[0]) - last.tick_us, 0) * 1e-6
    return state.exposure.plus_hidden(
        np.array([last.current_a, current[0]]),
        np.array([last.power_w, current[0] * voltage[0]]),
        np.array([seconds]),
    )
