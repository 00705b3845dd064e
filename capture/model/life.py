"""A life of the rig: pack, leads, tool and work coupled step by step, and the true waveforms of it.

    groups -- joints -+- shunt, adapter, leads -+- tool
                   voltage_v              tool_voltage_v

The pack's own switch lies behind the point where voltage_v is sensed, so the recovery after it has opened
shows.

Within one step the pack's current is a chopped wave: for the share `duty` of the time the motor's current
with its commutation ripple, and the tool's idle current all the time. Means over the step are closed forms
of that wave: its mean, its mean square, and the mean of the product of voltage and current.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.model.battery import STRETCH_STEPS, Battery, PackElectronics
from capture.model.load_bank import LoadBank
from capture.model.stops import Protection, Stop, cause_of
from capture.model.tool import LivingTool
from capture.model.work import STEP_S, Cut, Seen, script_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from capture.model.scenario import Scenario

#: Shunt, adapter and leads between the pack's terminals and the tool.
RIG_OHM: Final = 0.006
#: A logger that goes silent does so under the first load that lasts, after some work is done.
_SILENT_AFTER_S: Final = 12.0
_SILENT_LOAD_A: Final = 3.0
_SILENT_LOAD_S: Final = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """The truth of `STRETCH_STEPS` steps; each step is the window of one sample, and ends at its tick.

    Means over the step unless said otherwise; shape (steps,), `group_v` (groups, steps). The fine wave of a
    step: current `idle_a + motor_a * (1 + ripple * sin)` for the share `duty` of the time, else `idle_a`;
    voltage `source_v - pack_ohm * current`. `torque_nm` is what the work takes at the spindle,
    `speed_rad_per_s` the spindle's speed at the end of each step, `heat_w` what warms the groups.
    """

    first_sample: int
    current_a: npt.NDArray[np.float64]
    current_square_a2: npt.NDArray[np.float64]
    motor_a: npt.NDArray[np.float64]
    duty: npt.NDArray[np.float64]
    idle_a: npt.NDArray[np.float64]
    source_v: npt.NDArray[np.float64]
    pack_ohm: float
    voltage_v: npt.NDArray[np.float64]
    tool_voltage_v: npt.NDArray[np.float64]
    power_w: npt.NDArray[np.float64]
    heat_w: npt.NDArray[np.float64]
    group_v: npt.NDArray[np.float64]
    speed_rad_per_s: npt.NDArray[np.float64]
    torque_nm: npt.NDArray[np.float64]
    force_n: npt.NDArray[np.float64]
    pack_temperature_degc: npt.NDArray[np.float64]
    ambient_temperature_degc: float
    cuts: tuple[Cut, ...]
    stops: tuple[Stop, ...]


class Life:
    """An iterator of stretches, without end."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self.battery = Battery(scenario)
        self._electronics = PackElectronics(scenario)
        bank = scenario.bank
        self._tool = LivingTool(scenario) if bank is None else LoadBank(bank)
        self._cuts: list[Cut] = []
        self._stops: list[Stop] = []
        self._tool_acted: Protection | None = None
        random, feed_factor = scenario.random(stream="work"), scenario.condition.feed_factor
        work = script_of(scenario.work, random, feed_factor, self._cuts)
        self._script = work if bank is None else bank.script()
        self._demand = next(self._script)
        self._sample = 0
        self._loaded_s = 0.0
        self._goes_silent = scenario.condition.goes_silent

    def __iter__(self) -> Iterator[Stretch]:
        return self

    def __next__(self) -> Stretch:
        first = self._sample
        warm_before = self.battery.temperature_degc
        self.battery.begin_stretch()
        rows = np.array([self._step() for _ in range(STRETCH_STEPS)])
        stretch = self._waveforms(first, rows, warm_before)
        self._cuts.clear()
        self._stops.clear()
        return stretch

    def _step(self) -> tuple[float, ...]:
        """Live one step: work, tool, pack; return its row for `_waveforms`."""
        demand, battery, tool = self._demand, self.battery, self._tool
        before = battery.state
        connected = self._electronics.acted is None
        drawn = tool.step(demand, battery.source_v if connected else 0.0, battery.ohmic_ohm + RIG_OHM)
        mean_a = drawn.mean_a
        time_s = self._sample * STEP_S
        self._watch(time_s, mean_a, connected=connected)
        battery.carry(mean_a)
        self._sample += 1
        speed = tool.spindle_rad_per_s
        self._demand = self._script.send(Seen(time_s, speed))
        return (*drawn, *before, speed, demand.load_nm, demand.force_n)

    def _watch(self, time_s: float, current_a: float, *, connected: bool) -> None:
        """Let the pack's electronics look; write down every protection that acts."""
        if connected:
            self._electronics.watch(self.battery, current_a)
            self._note(self._electronics.acted, time_s, current_a)
        if self._tool.acted is not self._tool_acted:
            self._tool_acted = self._tool.acted
            self._note(self._tool_acted, time_s, current_a)
        self._loaded_s = self._loaded_s + STEP_S if current_a >= _SILENT_LOAD_A else 0.0
        if self._goes_silent and time_s >= _SILENT_AFTER_S and self._loaded_s >= _SILENT_LOAD_S:
            self._goes_silent = False
            self._note(Protection.LINK, time_s, current_a)

    def _note(self, protection: Protection | None, time_s: float, current_a: float) -> None:
        if protection is not None:
            lowest_is_odd = self.battery.lowest(current_a)[0] == self.battery.groups.odd
            cause = cause_of(protection, self._scenario.fault, lowest_is_odd=lowest_is_odd)
            self._stops.append(Stop(time_s, protection, cause))

    def _waveforms(self, first: int, rows: npt.NDArray[np.float64], warm_before: float) -> Stretch:
        """Return the stretch whose steps `rows` tells, and let the pack warm by it."""
        motor_a, duty, idle_a, drawn_c, fast_a, slow_a, speed, load_nm, force_n = rows.T
        tool, battery = self._tool.tool, self.battery
        states = np.stack([drawn_c, fast_a, slow_a], axis=1)
        current = motor_a * duty + idle_a
        rippled = motor_a**2 * (1 + tool.ripple**2 / 2)
        square = duty * (rippled + 2 * motor_a * idle_a) + idle_a**2
        group_v = battery.group_voltages(states, current)
        voltage = group_v.sum(axis=0) - battery.joint_ohm * current
        source = voltage + battery.ohmic_ohm * current
        heat = battery.heat_w(states, square)
        battery.warm(float(heat.sum()) * STEP_S, len(rows) * STEP_S)
        shaft_nm = tool.motor_constant * motor_a * tool.gear * tool.gear_efficiency
        return Stretch(
            first_sample=first,
            current_a=current,
            current_square_a2=square,
            motor_a=motor_a,
            duty=duty,
            idle_a=idle_a,
            source_v=source,
            pack_ohm=battery.ohmic_ohm,
            voltage_v=voltage,
            tool_voltage_v=voltage - RIG_OHM * current,
            power_w=source * current - battery.ohmic_ohm * square,
            heat_w=heat,
            group_v=group_v,
            speed_rad_per_s=speed,
            torque_nm=np.minimum(load_nm, np.maximum(shaft_nm, 0.0)),
            force_n=force_n,
            pack_temperature_degc=np.linspace(warm_before, battery.temperature_degc, len(rows)),
            ambient_temperature_degc=battery.ambient_degc,
            cuts=tuple(self._cuts),
            stops=tuple(self._stops),
        )
