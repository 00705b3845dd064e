"""A battery pack: groups of cells in series, each an open-circuit curve, a resistance and two RC pairs.

All groups carry the same current and share their time constants, so one filtered current per pair describes
them all: a group's voltage is OCV(charge) - R0 I - R1 x1 - R2 x2, with tau dx/dt = I - x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.open_circuit import nmc_voltage
from capture.quantities import COULOMB_PER_AH

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

KELVIN: Final = 273.15
REFERENCE_DEGC: Final = 25.0
#: How resistance falls with temperature: exp(B (1/T - 1/T0)), an activation energy of 17 kJ/mol. From memory.
ARRHENIUS_K: Final = 2000.0
#: How far groups of a healthy pack lie apart (standard deviation). Common practice, no source.
CAPACITY_SPREAD: Final = 0.008
RESISTANCE_SPREAD: Final = 0.02
CHARGE_SPREAD: Final = 0.002


@dataclass(frozen=True, slots=True)
class Pack:
    """What a pack is when it is new, at 25 degC; resistances are the whole pack's.

    Its electronics switch it off, for good, when the lowest group stays below `cutoff_v_per_group`, the
    current above `max_current_a`, or the cells above `max_temperature_degc`.
    """

    name: str
    series: int
    capacity_ah: float
    r0_ohm: float
    r1_ohm: float
    r2_ohm: float
    tau1_s: float = 0.12
    tau2_s: float = 28.0
    cutoff_v_per_group: float = 2.8
    max_current_a: float = 60.0
    max_temperature_degc: float = 70.0
    heat_capacity_j_per_k: float = 1000.0
    cooling_w_per_k: float = 0.8

    @property
    def cutoff_v(self) -> float:
        """Pack voltage at which groups that are all alike reach the cut-off."""
        return self.series * self.cutoff_v_per_group

    @property
    def resistance_ohm(self) -> float:
        """Resistance after a long load: all three in a row."""
        return self.r0_ohm + self.r1_ohm + self.r2_ohm


#: Invented: one, two and three cells in parallel, so the resistance falls as the capacity grows.
PACKS: Final = {
    pack.name: pack
    for pack in (
        Pack("wren", 10, 2.5, 0.070, 0.018, 0.026, heat_capacity_j_per_k=650.0, cooling_w_per_k=0.6),
        Pack("heron", 10, 5.0, 0.036, 0.010, 0.014, heat_capacity_j_per_k=1150.0, cooling_w_per_k=0.9),
        Pack("albatross", 10, 9.0, 0.022, 0.006, 0.009, heat_capacity_j_per_k=1700.0, cooling_w_per_k=1.2),
    )
}


@dataclass(frozen=True, slots=True)
class Condition:
    """How a pack is today: its charge (0 to 1), its temperature, and what is wrong with it.

    Factors apply to the new pack; `weak_group` and `resistive_group` name a group from the negative end,
    counted from 1. `joint_ohm` lies between the groups and the pack's terminals.
    """

    charge: float = 1.0
    pack_degc: float = 22.0
    ambient_degc: float = 22.0
    resistance_factor: float = 1.0
    weak_group: int | None = None
    weak_capacity_factor: float = 1.0
    resistive_group: int | None = None
    resistive_factor: float = 1.0
    joint_ohm: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """The groups of one pack, one value each from the negative end; resistances at 25 degC."""

    capacity_c: Floats
    charge: Floats
    r0_ohm: Floats
    r1_ohm: Floats
    r2_ohm: Floats

    @classmethod
    def of(cls, pack: Pack, condition: Condition, seed: int) -> Groups:
        """Return the groups of `pack` in `condition`; `seed` says how they lie apart."""
        random = np.random.default_rng([seed, 7])
        capacity_c = pack.capacity_ah * COULOMB_PER_AH * random.normal(1.0, CAPACITY_SPREAD, pack.series)
        resistance = condition.resistance_factor * random.normal(1.0, RESISTANCE_SPREAD, pack.series)
        unequal = random.normal(0.0, CHARGE_SPREAD, pack.series)
        if condition.weak_group is not None:
            capacity_c[condition.weak_group - 1] *= condition.weak_capacity_factor
        if condition.resistive_group is not None:
            resistance[condition.resistive_group - 1] *= condition.resistive_factor
        per_group = resistance / pack.series
        drawn_c = (1.0 - condition.charge) * pack.capacity_ah * COULOMB_PER_AH  # since all were full
        return cls(
            capacity_c,
            np.minimum(1.0 - drawn_c / capacity_c + unequal, 1.0),
            pack.r0_ohm * per_group,
            pack.r1_ohm * per_group,
            pack.r2_ohm * per_group,
        )

    def open_circuit_v(self, drawn_c: Floats) -> Floats:
        """Return each group's open-circuit voltage after so much charge was drawn: (groups, moments)."""
        return nmc_voltage(self.charge[:, None] - drawn_c[None, :] / self.capacity_c[:, None])


def resistance_at(degc: float) -> float:
    """Return the factor by which resistances at `degc` differ from those at 25 degC."""
    return math.exp(ARRHENIUS_K * (1 / (degc + KELVIN) - 1 / (REFERENCE_DEGC + KELVIN)))
