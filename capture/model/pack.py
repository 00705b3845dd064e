"""Battery packs as they come from the maker, and the resistances of their groups at any temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

ZERO_CELSIUS_K: Final = 273.15
REFERENCE_DEGC: Final = 25.0
#: CODATA 2018, exact.
BOLTZMANN_EV_PER_K: Final = 8.617333262e-5


@dataclass(frozen=True, slots=True)
class Share:
    """A part of a group's resistance: its share of the whole, and how it falls as the group warms.

    `time_s` is the time constant of the capacitance beside it; 0 for the part that answers at once.
    """

    part: float
    activation_ev: float
    time_s: float = 0.0

    def warmth(self, temperature_degc: float) -> float:
        """Return the resistance at a temperature over that at 25 degC: Arrhenius, exp(E/k (1/T - 1/T25))."""
        inverse = 1 / (temperature_degc + ZERO_CELSIUS_K) - 1 / (REFERENCE_DEGC + ZERO_CELSIUS_K)
        return math.exp(self.activation_ev / BOLTZMANN_EV_PER_K * inverse)


#: Ohmic part and two RC pairs: charge transfer, then diffusion. Shares, times and energies are of the size
#: published for cells of layered oxide; from memory, no single source.
OHMIC: Final = Share(0.55, activation_ev=0.10)
FAST: Final = Share(0.20, activation_ev=0.35, time_s=0.12)
SLOW: Final = Share(0.25, activation_ev=0.25, time_s=30.0)


@dataclass(frozen=True, slots=True)
class Pack:
    """`series` groups in a row; `resistance_ohm` is the whole pack's after a minute of load at 25 degC.

    Its electronics switch off, for good, when the lowest group stays below `cutoff_v_per_group`, when the
    current stays above `max_current_a`, or at `max_temperature_degc`.
    """

    name: str
    series: int
    capacity_ah: float
    resistance_ohm: float
    heat_capacity_j_per_k: float
    cooling_w_per_k: float
    max_current_a: float
    max_temperature_degc: float = 70.0
    cutoff_v_per_group: float = 2.8
    joint_ohm: float = 0.0015


#: Invented: one, two and three cells in parallel, so the resistance falls as the capacity grows.
PACKS: Final = {
    pack.name: pack
    for pack in (
        Pack("wren", 10, 2.5, 0.110, heat_capacity_j_per_k=560, cooling_w_per_k=0.35, max_current_a=45),
        Pack("heron", 10, 5.0, 0.058, heat_capacity_j_per_k=1080, cooling_w_per_k=0.5, max_current_a=65),
        Pack("albatross", 10, 9.0, 0.036, heat_capacity_j_per_k=1600, cooling_w_per_k=0.65, max_current_a=70),
    )
}
