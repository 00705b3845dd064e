"""A battery pack as an open-circuit curve behind a resistance, and the packs of the scenario."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.model.open_circuit import nmc_voltage
from capture.quantities import COULOMB_PER_AH

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Pack:
    """`series` groups in a row; `resistance_ohm` is the whole pack's, `charge_state` (0 to 1) its start.

    Below `cutoff_v_per_group` on average the pack switches off and stays off.
    """

    name: str
    series: int
    capacity_ah: float
    resistance_ohm: float
    charge_state: float = 1.0
    cutoff_v_per_group: float = 2.8

    def voltage(
        self, current_a: npt.NDArray[np.float64], drawn_c: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        """Return the terminal voltage in V at a current after so much charge (coulomb) was drawn."""
        state = self.charge_state - drawn_c / (self.capacity_ah * COULOMB_PER_AH)
        return self.series * nmc_voltage(state) - self.resistance_ohm * current_a

    @property
    def cutoff_v(self) -> float:
        """Terminal voltage below which the pack switches off."""
        return self.series * self.cutoff_v_per_group


#: Invented: one, two and three cells in parallel, so the resistance falls as the capacity grows.
PACKS: Final = {
    pack.name: pack
    for pack in (
        Pack("wren", 10, 2.5, 0.110),
        Pack("heron", 10, 5.0, 0.058),
        Pack("albatross", 10, 9.0, 0.036),
    )
}
