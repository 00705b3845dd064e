"""Charge and energy by the trapezoid on the logger's ticks; gaps are never bridged.

Energy is the integral of the product V*I, sample by sample (not the product of means). Sums are in float64.

A step between two samples is returned while its mean current is below `RETURN_CURRENT_A`; all other steps
are discharged, with their sign. So net is discharged minus returned exactly, and the noise of an idle
sensor, which is as often below zero as above, cancels in both instead of being counted as returned.
There is no hysteresis: a brake's current passes the band in milliseconds, and a state held down to zero
would hold the noise behind the brake.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.seam import Seam, behind, joins, steps_s

if TYPE_CHECKING:
    from capture.blocks import SampleBlock

#: Braking and charging carry amperes; noise and offset of a hobby shunt stay far inside. The same width as
#: the idle band of the rest voltage. Common practice, no source.
RETURN_CURRENT_A: Final = -0.5


@dataclass(frozen=True, slots=True)
class LastReading:
    """The last sample that had current and voltage: what the next step starts from."""

    index: int
    tick_us: int
    current_a: float
    power_w: float


@dataclass(frozen=True, slots=True)
class ChargeEnergy:
    """Charge in coulomb and energy in joule so far; `integrated_s` is the time they cover."""

    charge_discharged_c: float = 0.0
    charge_returned_c: float = 0.0
    energy_discharged_j: float = 0.0
    energy_returned_j: float = 0.0
    integrated_s: float = 0.0
    has_readings: bool = False
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
    power = current * block.columns["voltage_v"].astype(np.float64)
    rows = np.flatnonzero(~np.isnan(power))
    last = state.last if joins(state.seam, block) else None
    if len(rows) == 0:
        return replace(state, last=last, seam=behind(block))
    current, power = current[rows], power[rows]
    ticks, indices = block.ticks_us[rows], block.first_index + rows
    if last is not None:
        current = np.concatenate([[last.current_a], current])
        power = np.concatenate([[last.power_w], power])
        ticks = np.concatenate([[last.tick_us], ticks])
        indices = np.concatenate([[last.index], indices])
    steps = steps_s(ticks, indices, spacing)
    mean_current = (current[1:] + current[:-1]) * 0.5
    charge, energy = mean_current * steps, (power[1:] + power[:-1]) * 0.5 * steps
    returned = mean_current < RETURN_CURRENT_A
    return ChargeEnergy(
        state.charge_discharged_c + float(charge[~returned].sum()),
        state.charge_returned_c - float(charge[returned].sum()),
        state.energy_discharged_j + float(energy[~returned].sum()),
        state.energy_returned_j - float(energy[returned].sum()),
        state.integrated_s + float(steps.sum()),
        has_readings=True,
        last=LastReading(int(indices[-1]), int(ticks[-1]), float(current[-1]), float(power[-1])),
        seam=behind(block),
    )
