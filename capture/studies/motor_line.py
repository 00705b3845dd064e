"""The line of a direct-current motor: whether a tool turned slower for want of voltage, or for other reasons.

V = R i + k w, so n = a V - b i with a = 30 / (pi k) and R = b / a. The line is fitted to free runs and
work of a run; by it, what a change of the terminal voltage and a change of the load did to the speed is
told apart, and what is left over is a change of tool, accessory or feed that the current does not show.

The line holds where nothing holds the speed and nothing clamps the current: electronic tools do both. Then
it cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import Figure
from capture.uncertainty.gum import root_sum_square

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.studies.work_figures import Working

_LEAST_POINTS: Final = 4
#: Loads must differ by so much for a slope, and the speed must answer by so much. Common practice, no source.
_LEAST_CURRENT_RATIO: Final = 1.5
_LEAST_FALL: Final = 0.01
_MOST_LEFT: Final = 0.03
_COVERAGE: Final = 2.0
#: Of the clamp's current: what is just below it on average was at it part of the time. Common practice, no
#: source.
_AT_THE_CLAMP: Final = 0.95


class Reason(StrEnum):
    """What made the difference between two speeds."""

    SAME = "same"
    VOLTAGE = "voltage"
    LOAD = "load"
    TOOL_OR_FEED = "tool_or_feed"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True)
class Gains:
    """Relative standard uncertainties of the rig's channels, the same in all that it measures."""

    speed: float = 0.0
    voltage: float = 0.0
    current: float = 0.0


@dataclass(frozen=True, slots=True)
class MotorLine:
    """The line of one tool: rpm per volt, its resistance from the terminals on, what the fit leaves.

    u is that of the fit alone: within one rig the gains of its channels do not matter, since the line is in
    what they show. `stated` has them.
    """

    speed_per_volt: Figure
    ohm: Figure
    left_rpm: float

    def stated(self, gains: Gains) -> MotorLine:
        """Return the line with the gains of the channels in its uncertainties (GUM 5.1.6)."""

        def wider(figure: Figure, *shares: float) -> Figure:
            u = root_sum_square(figure.u or 0.0, *(share * figure.value for share in shares))
            return Figure(figure.value, u, figure.unit)

        return MotorLine(
            wider(self.speed_per_volt, gains.speed, gains.voltage),
            wider(self.ohm, gains.voltage, gains.current),
            self.left_rpm,
        )

    def speed_rpm(self, voltage_v: float, current_a: float) -> float:
        """Return the speed at a terminal voltage and a current."""
        return self.speed_per_volt.value * (voltage_v - self.ohm.value * current_a)


@dataclass(frozen=True, slots=True)
class SpeedChange:
    """The difference of two speeds in rpm, and its parts by voltage, by load, and by neither."""

    change: Figure
    by_voltage: Figure | None
    by_load: Figure | None
    left: Figure | None
    reason: Reason
    says: str


@dataclass(frozen=True, slots=True)
class Electronics:
    """What is known of a tool's electronics: whether they hold its speed, where they clamp its current."""

    regulated: bool | None = None
    current_limit_a: float | None = None

    def clamps(self, point: Working) -> bool:
        """Return whether the tool worked at its clamp, or so near that it may have."""
        return self.current_limit_a is not None and point.current_a >= _AT_THE_CLAMP * self.current_limit_a


def motor_line(points: Sequence[Working], electronics: Electronics = Electronics()) -> MotorLine | str:
    """Return the line through mean speeds at mean voltages and currents, or why there is none.

    Points at the tool's current clamp do not lie on it and are left out.
    """
    if electronics.regulated:
        return "the tool regulates its speed, as its description says: voltage and load do not show in it"
    clamped = sum(electronics.clamps(point) for point in points)
    points = [point for point in points if not electronics.clamps(point)]
    if clamped and len(points) < _LEAST_POINTS:
        return (
            f"the tool clamps its current at {electronics.current_limit_a:g} A, and stood there in "
            f"{clamped} of {clamped + len(points)} free runs and works"
        )
    if len(points) < _LEAST_POINTS:
        return f"it takes {_LEAST_POINTS} free runs and works with a speed; there are {len(points)}"
    volts = np.array([point.voltage_v for point in points])
    amperes = np.array([point.current_a for point in points])
    rpm = np.array([point.speed.value for point in points])
    if amperes.max() < _LEAST_CURRENT_RATIO * max(float(amperes.min()), 0.1):
        return "the load was nearly the same everywhere: no slope can be told"
    light, heavy = rpm[amperes <= np.median(amperes)], rpm[amperes > np.median(amperes)]
    if len(heavy) == 0 or heavy.mean() > (1 - _LEAST_FALL) * light.mean():
        return "the speed does not follow the load: the tool regulates it"
    design = np.column_stack([volts, -amperes])
    (per_v, per_a), *_ = np.linalg.lstsq(design, rpm, rcond=None)
    left = rpm - design @ (per_v, per_a)
    spread = float(np.sqrt(left @ left / max(1, len(rpm) - 2)))
    if per_v <= 0 or per_a <= 0:
        return "speed, voltage and current do not lie on a motor's line: regulation or a current clamp"
    if spread > _MOST_LEFT * float(rpm.mean()):
        return "the speeds lie too far from any line: regulation, a current clamp, or a worn contact"
    covariance = np.linalg.inv(design.T @ design) * spread**2
    ohm = per_a / per_v
    u_v, u_a = np.sqrt(np.diag(covariance))
    # R = b / a, and both slopes hang together: u(R) takes their covariance (JCGM 100:2008, 5.2.2)
    squares = (u_a / per_a) ** 2 + (u_v / per_v) ** 2 - 2 * covariance[0, 1] / (per_a * per_v)
    u_ohm = float(ohm * np.sqrt(max(float(squares), 0.0)))
    return MotorLine(Figure(float(per_v), float(u_v), "1/min/V"), Figure(float(ohm), u_ohm, "Ohm"), spread)


def speed_change(
    line: MotorLine | str,
    before: Working,
    after: Working,
    speed_gain: float = 0.0,
    electronics: Electronics = Electronics(),
) -> SpeedChange:
    """Return what made `after` turn otherwise than `before`, by the line of their tool.

    `speed_gain` is the tachometer's relative uncertainty: it is the same in both and acts on the difference.
    """
    value = after.speed.value - before.speed.value
    own = [max((at.speed.u or 0.0) ** 2 - (speed_gain * at.speed.value) ** 2, 0.0) for at in (before, after)]
    u = float(np.sqrt(sum(own) + (speed_gain * value) ** 2))
    change = Figure(value, u, "1/min")
    if abs(value) <= _COVERAGE * u:
        return SpeedChange(change, None, None, None, Reason.SAME, "no difference in speed is shown")
    if electronics.clamps(before) or electronics.clamps(after):
        line = f"the tool clamps its current at {electronics.current_limit_a:g} A, and stood there"
    if isinstance(line, str):
        return SpeedChange(change, None, None, None, Reason.CANNOT_TELL, line)
    volts, amperes = after.voltage_v - before.voltage_v, after.current_a - before.current_a
    per_volt, ohm = line.speed_per_volt, line.ohm
    u_voltage, u_load = abs((per_volt.u or 0.0) * volts), abs(per_volt.value * (ohm.u or 0.0) * amperes)
    by_voltage = _part(per_volt.value * volts, u_voltage, speed_gain)
    by_load = _part(-per_volt.value * ohm.value * amperes, u_load, speed_gain)
    left_u = float(np.sqrt(u**2 + u_voltage**2 + u_load**2 + 2 * line.left_rpm**2))
    left = Figure(value - by_voltage.value - by_load.value, left_u, "1/min")
    reason = _reason(value, by_voltage, by_load, left)
    return SpeedChange(change, by_voltage, by_load, left, reason, _SAYS[reason])


def _part(value: float, u_line: float, speed_gain: float) -> Figure:
    """Return a part of a change: the line's u, and the tachometer's gain on the part."""
    return Figure(value, float(np.hypot(u_line, speed_gain * value)), "1/min")


def _reason(value: float, by_voltage: Figure, by_load: Figure, left: Figure) -> Reason:
    parts = {
        Reason.VOLTAGE: by_voltage.value,
        Reason.LOAD: by_load.value,
        Reason.TOOL_OR_FEED: left.value if abs(left.value) > _COVERAGE * (left.u or 0.0) else 0.0,
    }
    # of what pulls the way the speed went, the largest
    return max(parts, key=lambda reason: parts[reason] * np.sign(value))


_SAYS: Final = {
    Reason.VOLTAGE: "the terminal voltage explains most of it",
    Reason.LOAD: "the load explains most of it: more or less feed, harder or softer material",
    Reason.TOOL_OR_FEED: "neither voltage nor current explains it: tool, accessory or gear changed",
}
