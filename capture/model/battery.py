"""The living pack: groups in a row, each an open-circuit curve behind R0 and two RC pairs, and one warmth.

All groups carry the same current and share their time constants, so the state of an RC pair is one number
for all: the current as the pair's low pass has it. A pair's voltage in a group is that group's resistance
times the low-passed current, exactly. Within one step the sources hold the value they had at its beginning.
The open-circuit voltage does not change with temperature (entropic heat is left out).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from capture.model.pack import FAST, SLOW
from capture.model.stops import Protection
from capture.model.work import STEP_S
from capture.open_circuit import nmc_voltage
from capture.quantities import COULOMB_PER_AH

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.model.scenario import Scenario

#: Steps from one look at charge and warmth to the next; in between the open-circuit curve is a straight line.
STRETCH_STEPS: Final = 100
#: More charge than a stretch can draw, and more than braking can bend the bound below.
_MOST_DRAWN_C: Final = 200.0 * STRETCH_STEPS * STEP_S
_BOUND_MARGIN_V: Final = 0.05
_CHARGE_STEP: Final = 1e-4


class Carried(NamedTuple):
    """The state of the pack at the beginning of one step."""

    drawn_c: float
    fast_a: float
    slow_a: float


class Battery:
    """`source_v` behind `ohmic_ohm` is what the tool sees; `carry` lets one step of current pass."""

    def __init__(self, scenario: Scenario) -> None:
        pack, condition = scenario.pack, scenario.condition
        self.groups = scenario.groups()
        self.joint_ohm = pack.joint_ohm + condition.joint_ohm
        self.ambient_degc = condition.ambient_degc
        self.temperature_degc = condition.ambient_degc
        if condition.below_max_temperature_k is not None:
            self.temperature_degc = pack.max_temperature_degc - condition.below_max_temperature_k
        self._heat_capacity_j_per_k = pack.heat_capacity_j_per_k
        self._cooling_w_per_k = pack.cooling_w_per_k * condition.cooling_factor
        self._capacity_c = self.groups.capacity_ah * COULOMB_PER_AH
        self._keep_fast, self._keep_slow = (math.exp(-STEP_S / pair.time_s) for pair in (FAST, SLOW))
        before_a = 0.0 if scenario.bank is None else scenario.bank.before_amps
        self.state = Carried(0.0, before_a, before_a)
        self.begin_stretch()

    def begin_stretch(self) -> None:
        """Look at charge and warmth: lay the line of each group's open-circuit curve, set the resistances."""
        charge = self.groups.charge - self.state.drawn_c / self._capacity_c
        self._began_c = self.state.drawn_c
        self._open_v = nmc_voltage(charge)
        self._fall_v_per_c = (self._open_v - nmc_voltage(charge - _CHARGE_STEP)) / (
            _CHARGE_STEP * self._capacity_c
        )
        self._ohmic, self._fast, self._slow = self.groups.resistances(self.temperature_degc)
        rows = np.stack([self._open_v, self._fall_v_per_c, self._ohmic, self._fast, self._slow])
        self._open_sum, self._fall_sum, ohmic_sum, self._fast_sum, self._slow_sum = rows.sum(axis=1).tolist()
        self.ohmic_ohm = ohmic_sum + self.joint_ohm
        _, most_fall, *self._worst = rows.max(axis=1).tolist()
        self._least_open_v = float(self._open_v.min()) - most_fall * _MOST_DRAWN_C - _BOUND_MARGIN_V

    @property
    def source_v(self) -> float:
        """The pack's voltage before its ohmic part, at the beginning of this step."""
        drawn_c, fast_a, slow_a = self.state
        voltage_v: float = (
            self._open_sum
            - self._fall_sum * (drawn_c - self._began_c)
            - self._fast_sum * fast_a
            - self._slow_sum * slow_a
        )
        return voltage_v

    def carry(self, current_a: float) -> None:
        """Let a mean current pass for one step."""
        drawn_c, fast_a, slow_a = self.state
        self.state = Carried(
            drawn_c + current_a * STEP_S,
            current_a + (fast_a - current_a) * self._keep_fast,
            current_a + (slow_a - current_a) * self._keep_slow,
        )

    def stays_above(self, limit_v: float, current_a: float) -> bool:
        """Return whether every group is above `limit_v` in this step; most steps a bound tells."""
        _, fast_a, slow_a = self.state
        ohmic, fast, slow = self._worst
        bound_v = self._least_open_v - ohmic * current_a - fast * fast_a - slow * slow_a
        return bound_v > limit_v or self.lowest(current_a)[1] > limit_v

    def lowest(self, current_a: float) -> tuple[int, float]:
        """Return which group is lowest in this step, and its voltage."""
        voltages = self.group_voltages(np.array([self.state]), np.array([current_a]))[:, 0]
        lowest = int(voltages.argmin())
        return lowest, float(voltages[lowest])

    def group_voltages(
        self, states: npt.NDArray[np.float64], current_a: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        """Return the groups' voltages, shape (groups, steps), for states (steps, 3) of this stretch."""
        drawn_c, fast_a, slow_a = states.T
        voltage = self._open_v[:, None] - np.outer(self._fall_v_per_c, drawn_c - self._began_c)
        voltage -= np.outer(self._ohmic, current_a)
        voltage -= np.outer(self._fast, fast_a)
        voltage -= np.outer(self._slow, slow_a)
        return voltage

    def heat_w(
        self, states: npt.NDArray[np.float64], current_square_a2: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        """Return the heat set free in the groups in each step: R0 I2 and what the pairs' resistors burn."""
        burnt = self._fast_sum * states[:, 1] ** 2 + self._slow_sum * states[:, 2] ** 2
        return np.asarray((self.ohmic_ohm - self.joint_ohm) * current_square_a2 + burnt)

    def warm(self, heat_j: float, duration_s: float) -> None:
        """Take up heat and lose some of it to the ambient air."""
        lost_j = self._cooling_w_per_k * (self.temperature_degc - self.ambient_degc) * duration_s
        self.temperature_degc += (heat_j - lost_j) / self._heat_capacity_j_per_k


class PackElectronics:
    """Watches the groups, the current and the warmth; switches off for good when one is beyond its limit."""

    UNDER_VOLTAGE_S: Final = 0.100
    OVER_CURRENT_S: Final = 0.200

    def __init__(self, scenario: Scenario) -> None:
        self._pack = scenario.pack
        self._low_s = self._high_s = 0.0
        self.acted: Protection | None = None

    def watch(self, battery: Battery, current_a: float) -> None:
        """Look at one step."""
        if battery.stays_above(self._pack.cutoff_v_per_group, current_a):
            self._low_s = 0.0
        else:
            self._low_s += STEP_S
            if self._low_s >= self.UNDER_VOLTAGE_S:
                self.acted = Protection.PACK_UNDER_VOLTAGE
        if current_a <= self._pack.max_current_a:
            self._high_s = 0.0
        else:
            self._high_s += STEP_S
            if self._high_s >= self.OVER_CURRENT_S:
                self.acted = Protection.PACK_OVER_CURRENT
        if battery.temperature_degc >= self._pack.max_temperature_degc:
            self.acted = Protection.PACK_OVER_TEMPERATURE
