"""The tool: a direct-current motor behind a chopper that holds its current below a clamp.

Reduced to the spindle, quasi-static (the winding's inductance only smooths): V = k w + R I, torque = k I. The
chopper turns the tool's voltage U and the pack's current I_p into V = d U and I_p = d I, with 0 <= d <= 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Tool:
    """An invented orchard pole saw, reduced to its spindle.

    `emf_v_s` is both the back-EMF per angular speed and the torque per ampere; friction is
    `friction_nm` + `drag_nm_s` * speed. While it chops, the pack's current swings by the share `chop_swing`
    of the motor's current that the input capacitor leaves; `ripple` is the commutation's share of it, at
    `ripple_per_rev` periods a revolution. Below `lockout_v` at its terminals, or with a winding hotter than
    `max_winding_degc`, the tool switches itself off.
    """

    emf_v_s: float = 0.0885
    winding_ohm: float = 0.055
    inertia_kg_m2: float = 0.0042
    friction_nm: float = 0.30
    drag_nm_s: float = 0.0006
    clamp_a: float = 72.0
    brake_a: float = 14.0
    idle_a: float = 0.03
    chop_swing: float = 0.3
    ripple: float = 0.06
    ripple_per_rev: int = 6
    pulses_per_rev: int = 2
    lockout_v: float = 25.0
    max_winding_degc: float = 130.0
    winding_heat_j_per_k: float = 60.0
    winding_cooling_w_per_k: float = 0.5

    def drive(self, source_v: float, source_ohm: float, speed: float, trigger: float) -> tuple[float, float]:
        """Return duty and motor current with a source and its resistance at an angular speed in rad/s.

        `trigger` (0 to 1) is the duty asked for; where it would drive more than the clamp, the duty falls
        until the motor carries just the clamp: R_s I d^2 - E d + (k w + R I) = 0, its smaller root.
        """
        back_v = self.emf_v_s * speed
        motor_a = (trigger * source_v - back_v) / (self.winding_ohm + trigger * trigger * source_ohm)
        if motor_a <= 0.0:
            return trigger, 0.0
        if motor_a <= self.clamp_a:
            return trigger, motor_a
        wanted_v = back_v + self.winding_ohm * self.clamp_a
        room = source_v * source_v - 4 * source_ohm * self.clamp_a * wanted_v
        duty = (source_v - math.sqrt(max(room, 0.0))) / (2 * source_ohm * self.clamp_a)
        return min(duty, trigger), self.clamp_a

    def brake(self, source_v: float, source_ohm: float, speed: float) -> tuple[float, float]:
        """Return the pack's (negative) and the motor's current while the motor brakes into the pack.

        What the winding leaves of the mechanical power goes back: k w I - R I^2 = (E + R_s I_p) I_p. At low
        speed nothing is left, and the tool coasts.
        """
        power_w = (self.emf_v_s * speed - self.winding_ohm * self.brake_a) * self.brake_a
        if power_w <= 0.0:
            return 0.0, 0.0
        root = math.sqrt(source_v * source_v + 4 * source_ohm * power_w)
        return -2 * power_w / (source_v + root), -self.brake_a
