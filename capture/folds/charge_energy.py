"""Charge and energy by the trapezoid on the logger's ticks; gaps are never bridged.

Energy is the integral of the product V*I, sample by sample (not the product of means). Discharged, returned
(current below zero) and net are kept apart; a step between two samples counts as discharged or returned
by the sign of its mean current or power. Sums are in float64.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LastReading:
    """The last sample seen: where it stands and what it said; what the next step starts from."""

    segment: int
    end_index: int
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
    last: LastReading | None = None

    @property
    def charge_c(self) -> float:
        """Net charge: discharged minus returned."""
        return self.charge_discharged_c - self.charge_returned_c

    @property
    def energy_j(self) -> float:
        """Net energy: discharged minus returned."""
        return self.energy_discharged_j - self.energy_returned_j


def update(state: ChargeEnergy, block: SampleBlock) -> ChargeEnergy:
    """Return the state after `block`, which needs the columns current_a and voltage_v.

    Samples in which either is missing are passed over: the steps to their neighbours are joined where the
    samples themselves are not lost.
    """
    current = block.columns["current_a"].astype(np.float64)
    power = current * block.columns["voltage_v"].astype(np.float64)
    ticks = block.ticks_us
    present = ~np.isnan(power)
    if not present.all():
        current, power, ticks = current[present], power[present], ticks[present]
    last = state.last
    if last is not None and (last.segment, last.end_index) == (block.segment, block.first_index):
        current = np.concatenate([[last.current_a], current])
        power = np.concatenate([[last.power_w], power])
        ticks = np.concatenate([[last.tick_us], ticks])
    if len(ticks) == 0:
        return state
    steps_s = np.maximum(np.diff(ticks), 0) * 1e-6
    charge_discharged, charge_returned = _trapezoids(current, steps_s)
    energy_discharged, energy_returned = _trapezoids(power, steps_s)
    return ChargeEnergy(
        state.charge_discharged_c + charge_discharged,
        state.charge_returned_c + charge_returned,
        state.energy_discharged_j + energy_discharged,
        state.energy_returned_j + energy_returned,
        state.integrated_s + float(steps_s.sum()),
        LastReading(block.segment, block.end_index, int(ticks[-1]), float(current[-1]), float(power[-1])),
    )


def _trapezoids(rate: Floats, steps_s: Floats) -> tuple[float, float]:
    """Return the integral of the steps with a positive mean rate, and minus that of the negative ones."""
    areas = (rate[1:] + rate[:-1]) * 0.5 * steps_s
    return float(areas[areas > 0].sum()), float(-areas[areas < 0].sum())
