"""The tool: trigger, chopper with current limiter, brushed motor, gear, brake, and its own protections.

The chopper connects the motor to the pack for a share `duty` of each of its short periods; the winding keeps
the motor's current flowing meanwhile. So the pack sees `duty` times the motor's current in the mean, in
pulses of the full current, and the motor sees `duty` times the voltage:

    duty * (source_v - source_ohm * i) = k * speed + winding_ohm * i      (inductance averaged out)
    inertia * d(speed)/dt = k * i - friction - load / gear                (implicit Euler)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

from capture.model.stops import Protection
from capture.model.work import STEP_S

if TYPE_CHECKING:
    from capture.model.scenario import Scenario
    from capture.model.work import Demand


@dataclass(frozen=True, slots=True)
class Tool:
    """An invented pole saw: SI units at the motor's shaft; the spindle turns `gear` times slower."""

    motor_constant: float = 0.0258  # V s per rad, and N m per A
    winding_ohm: float = 0.080
    inertia_kg_m2: float = 0.8e-4
    friction_nm: float = 0.075
    viscous_nm_s: float = 3.5e-5
    gear: float = 3.5
    gear_efficiency: float = 0.9
    clamp_a: float = 75.0
    brake_a: float = 12.0
    idle_a: float = 0.03
    ripple: float = 0.06  # amplitude of the commutation ripple by the motor's current
    least_voltage_v: float = 27.0
    under_voltage_s: float = 0.1
    stall_s: float = 1.0
    hottest_degc: float = 90.0
    cools_down_k: float = 15.0
    electronics_ohm: float = 0.024  # the part of winding_ohm whose heat stays in the electronics
    heat_capacity_j_per_k: float = 60.0
    cooling_w_per_k: float = 0.5


POLE_SAW: Final = Tool()


class Drawn(NamedTuple):
    """What the tool draws in one step: the motor's current for the share `duty` of the time, and the idle."""

    motor_a: float
    duty: float
    idle_a: float

    @property
    def mean_a(self) -> float:
        """Mean current from the pack."""
        return self.motor_a * self.duty + self.idle_a


NOTHING: Final = Drawn(0.0, 0.0, 0.0)


class LivingTool:
    """A tool in motion; `speed` is the motor's in rad/s."""

    def __init__(self, scenario: Scenario, tool: Tool = POLE_SAW) -> None:
        condition = scenario.condition
        self.tool = replace(
            tool,
            clamp_a=tool.clamp_a * condition.clamp_factor,
            cooling_w_per_k=tool.cooling_w_per_k * condition.tool_cooling_factor,
        )
        self.speed = 0.0
        self.acted: Protection | None = None
        self._ambient_degc = condition.ambient_degc
        hot = condition.tool_start_degc
        self.temperature_degc = condition.ambient_degc if hot is None else hot
        self._low_s = self._still_s = 0.0

    @property
    def spindle_rad_per_s(self) -> float:
        """Speed behind the gear."""
        return self.speed / self.tool.gear

    def step(self, demand: Demand, source_v: float, source_ohm: float) -> Drawn:
        """Live one step behind a source; no voltage stands for a pack that is switched off."""
        tool = self.tool
        against_nm = tool.friction_nm + tool.viscous_nm_s * self.speed
        against_nm += demand.load_nm / (tool.gear * tool.gear_efficiency)
        if source_v <= 0.0:
            self._turn(-against_nm)
            return NOTHING
        source_v -= source_ohm * tool.idle_a
        if demand.trigger > 0.0 and self.acted is None:
            motor_a, duty = self._drive(demand.trigger, against_nm, source_v, source_ohm)
        elif self.speed > 0.0:
            motor_a, duty = self._brake(against_nm, source_v, source_ohm)
        else:
            motor_a = duty = 0.0
        self._watch(demand, motor_a, source_v - source_ohm * motor_a * duty)
        return Drawn(motor_a, duty, tool.idle_a)

    def _drive(
        self, trigger: float, against_nm: float, source_v: float, source_ohm: float
    ) -> tuple[float, float]:
        """Drive at the trigger's duty, or at what the limiter leaves of it."""
        constant, clamp_a = self.tool.motor_constant, self.tool.clamp_a
        path_ohm = self.tool.winding_ohm + trigger * source_ohm
        gain = STEP_S / self.tool.inertia_kg_m2
        push_nm = constant * trigger * source_v / path_ohm
        speed = (self.speed + gain * (push_nm - against_nm)) / (1.0 + gain * constant**2 / path_ohm)
        motor_a = (trigger * source_v - constant * max(speed, 0.0)) / path_ohm
        if motor_a > clamp_a:
            self._turn(constant * clamp_a - against_nm)
            return clamp_a, min(trigger, self._duty_for(clamp_a, source_v, source_ohm))
        if motor_a < 0.0:  # faster than the trigger asks: the diode blocks
            self._turn(-against_nm)
            return 0.0, trigger
        self.speed = max(speed, 0.0)
        return motor_a, trigger

    def _brake(self, against_nm: float, source_v: float, source_ohm: float) -> tuple[float, float]:
        """Brake with a steady current, returned to the pack as long as the motor's voltage carries it."""
        motor_a = -self.tool.brake_a
        self._turn(self.tool.motor_constant * motor_a - against_nm)
        return motor_a, max(0.0, self._duty_for(motor_a, source_v, source_ohm))

    def _turn(self, torque_nm: float) -> None:
        self.speed = max(0.0, self.speed + STEP_S / self.tool.inertia_kg_m2 * torque_nm)

    def _duty_for(self, motor_a: float, source_v: float, source_ohm: float) -> float:
        """Return the duty at which the motor carries just `motor_a`."""
        motor_v = self.tool.motor_constant * self.speed + self.tool.winding_ohm * motor_a
        return motor_v / (source_v - source_ohm * motor_a)

    def _watch(self, demand: Demand, motor_a: float, voltage_v: float) -> None:
        """Let the tool protect itself: until the trigger is released, or from warmth until it has cooled."""
        tool, pulled = self.tool, demand.trigger > 0.0
        self._low_s = self._low_s + STEP_S if pulled and voltage_v < tool.least_voltage_v else 0.0
        self._still_s = self._still_s + STEP_S if pulled and self.speed == 0.0 else 0.0
        heat_w = tool.electronics_ohm * motor_a**2
        lost_w = tool.cooling_w_per_k * (self.temperature_degc - self._ambient_degc)
        self.temperature_degc += (heat_w - lost_w) * STEP_S / tool.heat_capacity_j_per_k
        if self.acted is None:
            if self._low_s >= tool.under_voltage_s:
                self.acted = Protection.TOOL_UNDER_VOLTAGE
            elif self._still_s >= tool.stall_s:
                self.acted = Protection.TOOL_STALL
            elif self.temperature_degc >= tool.hottest_degc:
                self.acted = Protection.TOOL_TEMPERATURE
        elif not pulled and (
            self.acted is not Protection.TOOL_TEMPERATURE
            or self.temperature_degc < tool.hottest_degc - tool.cools_down_k
        ):
            self.acted = None
