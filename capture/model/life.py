"""A life: pack, tool and work in small steps, from the first rest on, the same every time it is lived.

One step is a quasi-static circuit: source voltage (open circuit minus what the RC pairs hold) behind the
pack's resistance, the joint, the rig and the chopper, against the motor's back-EMF. Charge, filtered
currents, speed and section then move on by the step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.model.pack import Groups, resistance_at
from capture.model.work import BITE_MM2_RAD_N, TORQUE_NM_N, Operator, Phase

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.model.scenario import Scenario

    Floats = npt.NDArray[np.float64]

STEP_S: Final = 0.001
STEPS_PER_FRAME: Final = 50
FRAME_S: Final = STEP_S * STEPS_PER_FRAME
#: For how long a limit may be exceeded before the pack's electronics act. Common practice, no source.
CUTOFF_DELAY_S: Final = 0.25
OVER_CURRENT_DELAY_S: Final = 0.4
LOCKOUT_DELAY_S: Final = 0.3
#: A pack with more than twice the resistance of a new warm one stops for that, unless it is all but empty.
WORN_FROM: Final = 2.0
EMPTY_BELOW: Final = 0.12
_RPM: Final = 60 / (2 * math.pi)
_TABLE_POINTS: Final = 4097


@dataclass(frozen=True, slots=True)
class TrueCut:
    """When the operator pulled the trigger, when the chain met the wood and was through, and the release."""

    trigger_s: float
    contact_s: float | None
    severance_s: float | None
    release_s: float


@dataclass(frozen=True, slots=True)
class Stop:
    """When the tool stopped by itself, and why: one of the scenario's faults."""

    time_s: float
    cause: str


@dataclass(frozen=True, slots=True, eq=False)
class Lived:
    """What really was during one frame, step by step; means over each step.

    `pack_v` is at the pack's terminals, `tool_v` at the tool's; `power_w` what left the pack, the swing of
    the chopped current included; `turns` the spindle's revolutions at each step's end; `group_v` has one row
    a group. `cuts` ended in this frame, `stop` came in it.
    """

    time_s: Floats
    current_a: Floats
    power_w: Floats
    pack_v: Floats
    tool_v: Floats
    motor_a: Floats
    speed_rpm: Floats
    turns: Floats
    torque_nm: Floats
    feed_n: Floats
    group_v: Floats
    pack_degc: float
    ambient_degc: float
    winding_degc: float
    cuts: tuple[TrueCut, ...]
    stop: Stop | None


class Life:
    """The one life that `scenario` allows; each call of `frame` lives on by 50 ms."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.stop: Stop | None = None
        self.groups = Groups.of(scenario.pack, scenario.condition, scenario.seed)
        self._operator = Operator(scenario.work, scenario.seed, scenario.heavy)
        self._frames = 0
        self._drawn_c = self._x1_a = self._x2_a = 0.0
        self._speed = self._turns = 0.0
        self._pack_degc = scenario.condition.pack_degc
        ambient = scenario.condition.ambient_degc
        self._winding_degc = ambient if scenario.winding_degc is None else scenario.winding_degc
        self._over = dict.fromkeys(("cutoff", "current", "lockout"), 0.0)
        self._marks: dict[str, float] = {}
        self._ended_cuts: list[TrueCut] = []
        capacity_c = float(self.groups.capacity_c.max())
        self._table_step_c = 1.1 * capacity_c / (_TABLE_POINTS - 1)
        drawn_c = np.arange(_TABLE_POINTS, dtype=np.float64) * self._table_step_c
        self._open_circuit_v: list[float] = self.groups.open_circuit_v(drawn_c).sum(axis=0).tolist()

    def frame(self) -> Lived:
        """Live one frame and return it."""
        factor = resistance_at(self._pack_degc)
        steps = np.array(self._steps(factor))
        self._frames += 1
        return self._account(steps, factor)

    def _steps(self, factor: float) -> list[tuple[float, ...]]:
        """Live through the steps of a frame; return for each what the rest is computed from."""
        scenario, groups, operator = self.scenario, self.groups, self._operator
        tool, pack = scenario.tool, scenario.pack
        r1, r2 = float(groups.r1_ohm.sum()) * factor, float(groups.r2_ohm.sum()) * factor
        series_ohm = float(groups.r0_ohm.sum()) * factor + scenario.condition.joint_ohm + scenario.rig_ohm
        keep1, keep2 = math.exp(-STEP_S / pack.tau1_s), math.exp(-STEP_S / pack.tau2_s)
        drawn, x1, x2, speed, turns = self._drawn_c, self._x1_a, self._x2_a, self._speed, self._turns
        powered = self.stop is None
        lived: list[tuple[float, ...]] = []
        for step in range(STEPS_PER_FRAME):
            time_s = (self._frames * STEPS_PER_FRAME + step) * STEP_S
            while operator.is_over(time_s):
                self._note_phase(operator.next_phase(time_s), time_s)
            phase = operator.phase
            source_v = self._open_circuit_at(drawn) - r1 * x1 - r2 * x2
            trigger, feed_n = operator.trigger(time_s), operator.feed_n(time_s)
            duty, current, motor = 0.0, 0.0, 0.0
            if powered and trigger > 0.0:
                duty, motor = tool.drive(source_v, series_ohm, speed, trigger)
                current = duty * motor
            elif powered and speed > 0.0:
                current, motor = tool.brake(source_v, series_ohm, speed)
            if powered:
                current += tool.idle_a
            load_nm = TORQUE_NM_N * feed_n + tool.friction_nm + tool.drag_nm_s * speed
            accelerating_nm = tool.emf_v_s * motor - load_nm
            lived.append((time_s, source_v, current, duty, motor, speed, turns, feed_n, x1, x2, drawn))
            turns += speed * STEP_S / (2 * math.pi)
            operator.cut_mm2 += BITE_MM2_RAD_N * feed_n * speed * STEP_S
            speed = 0.0 if phase.locked else max(0.0, speed + accelerating_nm / tool.inertia_kg_m2 * STEP_S)
            drawn += current * STEP_S
            x1, x2 = current + (x1 - current) * keep1, current + (x2 - current) * keep2
        self._drawn_c, self._x1_a, self._x2_a, self._speed, self._turns = drawn, x1, x2, speed, turns
        return lived

    def _open_circuit_at(self, drawn_c: float) -> float:
        """Return the pack's open-circuit voltage after `drawn_c`, the sum of its groups', from a table."""
        place = min(max(drawn_c / self._table_step_c, 0.0), _TABLE_POINTS - 1.001)
        below = int(place)
        low, high = self._open_circuit_v[below], self._open_circuit_v[below + 1]
        return low + (high - low) * (place - below)

    def _account(self, steps: Floats, factor: float) -> Lived:
        """Return what the steps of a frame amount to, and let heat, limits and protections act."""
        time_s, source_v, current, duty, motor, speed, turns, feed_n, x1, x2, drawn = steps.T
        scenario, groups, tool = self.scenario, self.groups, self.scenario.tool
        turned = speed * STEP_S / (2 * math.pi)  # revolutions in each step
        ripple_a = tool.ripple * duty * motor
        phase = 2 * math.pi * tool.ripple_per_rev * (turns + turned / 2)
        current = current + ripple_a * np.sinc(tool.ripple_per_rev * turned) * np.sin(phase)
        swing_a = tool.chop_swing * motor
        mean_square = current**2 + swing_a**2 * duty * (1 - duty) + ripple_a**2 / 2
        inner_ohm = float(groups.r0_ohm.sum()) * factor + scenario.condition.joint_ohm
        pack_v = source_v - inner_ohm * current
        group_v = groups.open_circuit_v(drawn) - factor * (
            np.outer(groups.r0_ohm, current) + np.outer(groups.r1_ohm, x1) + np.outer(groups.r2_ohm, x2)
        )
        tool_v = pack_v - scenario.rig_ohm * current
        self._warm_up(mean_square, motor, inner_ohm, factor, x1, x2)
        stop = self._protect(float(time_s[-1]), group_v, current, tool_v)
        cuts, self._ended_cuts = tuple(self._ended_cuts), []
        return Lived(
            time_s=time_s,
            current_a=current,
            power_w=source_v * current - inner_ohm * mean_square,
            pack_v=pack_v,
            tool_v=tool_v,
            motor_a=motor,
            speed_rpm=speed * _RPM,
            turns=turns + turned,
            torque_nm=TORQUE_NM_N * feed_n,
            feed_n=feed_n,
            group_v=group_v,
            pack_degc=self._pack_degc,
            ambient_degc=scenario.condition.ambient_degc,
            winding_degc=self._winding_degc,
            cuts=cuts,
            stop=stop,
        )

    def _warm_up(
        self, mean_square: Floats, motor: Floats, inner_ohm: float, factor: float, x1: Floats, x2: Floats
    ) -> None:
        """Let pack and winding take the heat of the frame and give some to the air."""
        pack, tool, groups = self.scenario.pack, self.scenario.tool, self.groups
        ambient = self.scenario.condition.ambient_degc
        slow_w = factor * (groups.r1_ohm.sum() * (x1**2).mean() + groups.r2_ohm.sum() * (x2**2).mean())
        heat_w = inner_ohm * float(mean_square.mean()) + float(slow_w)
        cooled_w = pack.cooling_w_per_k * (self._pack_degc - ambient)
        self._pack_degc += (heat_w - cooled_w) * FRAME_S / pack.heat_capacity_j_per_k
        wound_w = tool.winding_ohm * float((motor**2).mean())
        given_w = tool.winding_cooling_w_per_k * (self._winding_degc - ambient)
        self._winding_degc += (wound_w - given_w) * FRAME_S / tool.winding_heat_j_per_k

    def _protect(self, time_s: float, group_v: Floats, current: Floats, tool_v: Floats) -> Stop | None:
        """Switch off, for good, what has been beyond a limit for too long; return the stop if it came now."""
        if self.stop is not None:
            return None
        pack, tool = self.scenario.pack, self.scenario.tool
        mean_v = group_v.mean(axis=1)
        drawing = float(current.mean()) > 1.0
        beyond = {
            "cutoff": bool(mean_v.min() < pack.cutoff_v_per_group),
            "current": float(current.mean()) > pack.max_current_a,
            "lockout": drawing and float(tool_v.mean()) < tool.lockout_v,
        }
        for limit, exceeded in beyond.items():
            self._over[limit] = self._over[limit] + FRAME_S if exceeded else 0.0
        cause = None
        if self._over["cutoff"] >= CUTOFF_DELAY_S:
            cause = self._cause_of_cutoff(mean_v)
        elif self._over["current"] >= OVER_CURRENT_DELAY_S:
            cause = "over_current"
        elif self._pack_degc > pack.max_temperature_degc:
            cause = "over_temperature"
        elif self._over["lockout"] >= LOCKOUT_DELAY_S:
            cause = "joint" if self.scenario.condition.joint_ohm > 0 else "tool_side"
        elif self._winding_degc > tool.max_winding_degc:
            cause = "tool_side"
        if cause is None:
            return None
        self.stop = Stop(time_s + STEP_S, cause)
        self._note_phase(Phase("rest", math.inf), time_s)
        self._operator.let_go(time_s)
        return self.stop

    def _cause_of_cutoff(self, mean_v: Floats) -> str:
        """Return why the lowest group fell below the cut-off: by what is wrong with the pack, if anything."""
        condition, lowest = self.scenario.condition, int(mean_v.argmin()) + 1
        if condition.weak_group == lowest:
            return "weak_group"
        if condition.resistive_group == lowest:
            return "high_resistance_group"
        charge = float((self.groups.charge - self._drawn_c / self.groups.capacity_c).min())
        worn = condition.resistance_factor * resistance_at(self._pack_degc)
        return "high_resistance_pack" if worn > WORN_FROM and charge > EMPTY_BELOW else "empty"

    def _note_phase(self, phase: Phase, time_s: float) -> None:
        """Keep the moments of the cut that goes on; with the release it is whole."""
        marks = self._marks
        match phase.name:
            case "free run" | "stall" | "load" if "trigger" not in marks:
                marks["trigger"] = time_s
            case "cut":
                marks["contact"] = time_s
            case "run-out":
                marks["severance"] = time_s
            case "rest" if "trigger" in marks:
                contact, severance = marks.get("contact"), marks.get("severance")
                self._ended_cuts.append(TrueCut(marks["trigger"], contact, severance, time_s))
                marks.clear()
