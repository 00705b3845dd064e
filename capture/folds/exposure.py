"""What the integrals of a run were exposed to: the sums from which their uncertainties follow.

An offset of the current acts for as long as was integrated, an offset of the voltage through the charge, an
offset of the current on the energy through the integral of the voltage; and what stands beside a gap says
what the gap may hide. Sums only, so that an uncertainty can be asked for at any time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Exposure:
    """Sums over the steps that were integrated, discharged and returned ones apart.

    `*_s` are seconds, `*_volt_s` the integrals of the voltage, `square_a2_s` that of the squared current.
    `hidden_s` are the seconds that were not integrated though the logger ran, `hidden_c` and `hidden_j`
    what passed in them if it went on as beside them: the root mean square of both neighbours, for that time.
    """

    discharged_s: float = 0.0
    returned_s: float = 0.0
    discharged_volt_s: float = 0.0
    returned_volt_s: float = 0.0
    square_a2_s: float = 0.0
    hidden_s: float = 0.0
    hidden_c: float = 0.0
    hidden_j: float = 0.0

    def plus_steps(self, current_a: Floats, voltage_v: Floats, steps_s: Floats, returned: Flags) -> Exposure:
        """Return the sums with steps between n + 1 readings; `returned` (n) tells which are returned."""
        kept = ~returned
        volt_s = (voltage_v[1:] + voltage_v[:-1]) * 0.5 * steps_s
        squares = (current_a[1:] ** 2 + current_a[:-1] ** 2) * 0.5 * steps_s
        return Exposure(
            self.discharged_s + float(steps_s[kept].sum()),
            self.returned_s + float(steps_s[returned].sum()),
            self.discharged_volt_s + float(volt_s[kept].sum()),
            self.returned_volt_s + float(volt_s[returned].sum()),
            self.square_a2_s + float(squares.sum()),
            self.hidden_s,
            self.hidden_c,
            self.hidden_j,
        )

    def plus_hidden(self, current_a: Floats, power_w: Floats, hidden_s: Floats) -> Exposure:
        """Return the sums with `hidden_s` (n) seconds between n + 1 readings that were not integrated."""
        if not hidden_s.any():
            return self
        charge = np.hypot(current_a[1:], current_a[:-1]) * math.sqrt(0.5) * hidden_s
        energy = np.hypot(power_w[1:], power_w[:-1]) * math.sqrt(0.5) * hidden_s
        return Exposure(
            self.discharged_s,
            self.returned_s,
            self.discharged_volt_s,
            self.returned_volt_s,
            self.square_a2_s,
            self.hidden_s + float(hidden_s.sum()),
            self.hidden_c + float(charge.sum()),
            self.hidden_j + float(energy.sum()),
        )
