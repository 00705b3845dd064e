"""Open-circuit voltage of one cell group against its state of charge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

#: State of charge in steps of 0.025 from empty (0) to full (1).
_STEPS: Final = np.linspace(0.0, 1.0, 41)

#: Layered oxide (NMC 811) against graphite with silicon, 25 degC, cut-off 2.5 V, full 4.2 V: computed with
#: pybamm 26.10.1.1 from the electrode curves of Chen et al., J. Electrochem. Soc. 167 (2020)
#: 080534 (its parameter set Chen2020); tests/reference makes the table again and compares.
# fmt: off
NMC_VOLTS: Final = (
    2.5000, 2.9212, 3.1094, 3.2107, 3.2959, 3.3787, 3.4339, 3.4641, 3.4852, 3.5056,
    3.5286, 3.5545, 3.5814, 3.6068, 3.6290, 3.6487, 3.6670, 3.6855, 3.7054, 3.7273,
    3.7509, 3.7750, 3.7983, 3.8200, 3.8406, 3.8624, 3.8896, 3.9206, 3.9479, 3.9713,
    3.9943, 4.0181, 4.0421, 4.0640, 4.0809, 4.0911, 4.0967, 4.1048, 4.1236, 4.1564,
    4.2000,
)
# fmt: on


def nmc_voltage(state_of_charge: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the open-circuit voltage in V of one group at each state of charge (0 to 1, held beyond)."""
    return np.interp(state_of_charge, _STEPS, NMC_VOLTS)


def nmc_charge_state(group_v: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the state of charge (0 to 1, held beyond) at each open-circuit voltage of one group in V."""
    return np.interp(group_v, NMC_VOLTS, _STEPS)
