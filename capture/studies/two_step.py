"""Resistance by two steps of the current: the home test and the cell makers' direct-current method.

R = (U1 - U2) / (I2 - I1): U1 at the end of 10 s at 0.2 It, U2 at the end of 1 s at 1 It that follows at
once, It being the current that would empty the rated capacity in an hour. Times and currents as IEC
61960-3 has them in quotations (the standard itself was not read).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import Figure

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from capture.studies.columns import RunColumns
    from capture.uncertainty.channels import ChannelUncertainty

    Floats = npt.NDArray[np.float64]

FIRST_SHARE_OF_IT: Final = 0.2
SECOND_SHARE_OF_IT: Final = 1.0
FIRST_S: Final = 10.0
SECOND_S: Final = 1.0
#: A load holds its current when no tenth of a second is further from it than this share; a step counts when
#: its current is as near to the wanted one. Common practice, no source.
_HOLDS: Final = 0.05
_NEAR: Final = 0.25
#: Times may be this much shorter: 0.1 s on either side (from memory of the standard).
_TOLERANCE_S: Final = 0.1
_READ_OVER_S: Final = 0.05
_PIECE_S: Final = 0.1


@dataclass(frozen=True, slots=True)
class HeldCurrent:
    """Current in A and voltage in V at the end of a step that held its current; `u` standard uncertainties.

    The uncertainties are of reading them again in the same run: what both steps share is not in them.
    """

    current_a: float
    voltage_v: float
    u_current_a: float = 0.0
    u_voltage_v: float = 0.0


def two_step_resistance(
    first: HeldCurrent, second: HeldCurrent, *, current_gain: float = 0.0, voltage_gain: float = 0.0
) -> Figure | None:
    """Return R = (U1 - U2) / (I2 - I1) in ohm; None for two equal currents or a result that is no resistance.

    Standard uncertainty by JCGM 100:2008, 5.1.2: u(U1)^2 + u(U2)^2 over dI^2, and R^2 (u(I1)^2 + u(I2)^2)
    over dI^2; the gains of both channels are the same in both readings and act on R as a whole.
    """
    step_a = second.current_a - first.current_a
    if step_a == 0:
        return None
    ohm = (first.voltage_v - second.voltage_v) / step_a
    if ohm <= 0:
        return None
    u_volts = np.hypot(first.u_voltage_v, second.u_voltage_v) / abs(step_a)
    u_amperes = ohm * np.hypot(first.u_current_a, second.u_current_a) / abs(step_a)
    u = float(np.sqrt(u_volts**2 + u_amperes**2 + (ohm * current_gain) ** 2 + (ohm * voltage_gain) ** 2))
    return Figure(ohm, u, "Ohm")


def two_step_of_run(
    run: RunColumns, capacity_ah: float | None, uncertainties: Mapping[str, ChannelUncertainty]
) -> Figure | None:
    """Return the first two-step resistance in a run; None where its load never holds the two currents.

    Needs the rated capacity, current_a and voltage_v. Readings are means over the last 50 ms of each step.
    """
    if capacity_ah is None or not run.has("current_a", "voltage_v"):
        return None
    current, voltage = run.columns["current_a"], run.columns["voltage_v"]
    both = ~np.isnan(current) & ~np.isnan(voltage)
    t_s, current, voltage = run.t_s[both], current[both], voltage[both]
    for (start, end), (next_start, next_end) in pairwise(_held(t_s, current)):
        first, second = _near(current[start:end]), _near(current[next_start:next_end])
        if (
            abs(first / (FIRST_SHARE_OF_IT * capacity_ah) - 1) <= _NEAR
            and abs(second / (SECOND_SHARE_OF_IT * capacity_ah) - 1) <= _NEAR
            and t_s[end - 1] - t_s[start] >= FIRST_S - _TOLERANCE_S
            and t_s[next_end - 1] - t_s[next_start] >= SECOND_S - _TOLERANCE_S
            and t_s[next_start] - t_s[end - 1] <= 2 * _PIECE_S
        ):
            at_end = int(np.searchsorted(t_s, t_s[next_start] + SECOND_S))
            gains = {
                name: uncertainties[column].gain if column in uncertainties else 0.0
                for name, column in (("current_gain", "current_a"), ("voltage_gain", "voltage_v"))
            }
            return two_step_resistance(
                _read(t_s, current, voltage, end),
                _read(t_s, current, voltage, min(at_end, next_end)),
                **gains,
            )
    return None


def _held(t_s: Floats, current: Floats) -> list[tuple[int, int]]:
    """Return the rows (from, to) of each stretch in which the current holds still, piece by piece."""
    if len(t_s) == 0:
        return []
    piece_of = np.floor((t_s - t_s[0]) / _PIECE_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(piece_of, prepend=-1))
    means = np.add.reduceat(current, starts) / np.diff(starts, append=len(current))
    bounds = np.append(starts, len(t_s))
    held: list[tuple[int, int]] = []
    begin, level = 0, float(means[0])
    for piece in range(1, len(means) + 1):
        if piece < len(means) and abs(means[piece] - level) <= _HOLDS * abs(level):
            continue
        held.append((int(bounds[begin]), int(bounds[piece])))
        if piece < len(means):
            begin, level = piece, float(means[piece])
    return [part for part in held if part[1] - part[0] > 1 and t_s[part[1] - 1] - t_s[part[0]] > 2 * _PIECE_S]


def _near(current: Floats) -> float:
    return float(np.median(current))


def _read(t_s: Floats, current: Floats, voltage: Floats, end: int) -> HeldCurrent:
    """Return the means over the last moments before row `end`, the edge itself left out."""
    last_s = t_s[end - 1] - 2 * float(np.median(np.diff(t_s[max(0, end - 50) : end])))
    start, stop = np.searchsorted(t_s, [last_s - _READ_OVER_S, last_s], "left")
    rows = slice(int(start), max(int(stop), int(start) + 1))
    count = rows.stop - rows.start
    scatter = [
        float(part[rows].std(ddof=1)) / count**0.5 if count > 1 else 0.0 for part in (current, voltage)
    ]
    return HeldCurrent(float(current[rows].mean()), float(voltage[rows].mean()), *scatter)
