"""Whether a channel holds still: mean, noise and drift over a window, and how well the mean is known.

Pure: readings and their times come in, a plateau or the reason against one comes out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.uncertainty.gum import quantisation, rectangular

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

PARTS: Final = 5
#: The means of five parts of a window of noise differ by more than this many of their standard deviations in
#: one of a thousand windows (studentised range; from memory).
_WANDER_SIGMAS: Final = 5.5
#: The expected range of five standard normal values (control-chart constant d2; from memory).
_RANGE_OF_FIVE: Final = 2.326
#: What drifts by less than this of itself still makes a calibration. Common practice, no source.
_DRIFT_SHARE: Final = 0.005
_FEWEST_READINGS: Final = 2 * PARTS


@dataclass(frozen=True, slots=True)
class Plateau:
    """A window of one channel, in its unit.

    `noise` is the standard deviation of one reading against its neighbours; `drift` how far a straight line
    rises or falls over `seconds`; `wander` how far the means of the window's fifths lie apart; `step` one
    count; `clipped` how many of the `readings` stood at an end of the range.
    """

    mean: float
    noise: float
    drift: float
    wander: float
    step: float
    readings: int
    seconds: float
    clipped: int = 0

    @property
    def why_not(self) -> str | None:
        """Why it is no plateau, in words that fit behind the name of the channel; None where it is one."""
        if self.clipped:
            return f"stands at an end of its range in {self.clipped} of {self.readings} readings"
        if self.readings < _FEWEST_READINGS:
            return (
                f"has only {self.readings} readings in {self.seconds:g} s, and {_FEWEST_READINGS} are needed"
            )
        by_noise = _WANDER_SIGMAS * self.noise / (self.readings / PARTS) ** 0.5
        if self.wander > max(by_noise, self.step, _DRIFT_SHARE * abs(self.mean)):
            moves = "drifts" if abs(self.drift) > self.wander / 2 else "moves"
            by = abs(self.drift) if moves == "drifts" else self.wander
            return f"does not hold still: it {moves} by {by:.4g} in {self.seconds:g} s"
        return None

    @property
    def u(self) -> float:
        """The standard uncertainty of the mean.

        Its noise over the root of the readings, or what the fifths say where that is more, since noise may
        hang together in time; the drift as a rectangle; a step that no noise blurs (JCGM 100:2008, 4.2.3,
        4.3.7 and F.2.2.1).
        """
        of_noise = max(self.noise / self.readings**0.5, self.wander / _RANGE_OF_FIVE / PARTS**0.5)
        of_step = 0.0 if self.noise >= self.step / 2 else quantisation(self.step)
        return float(np.hypot(np.hypot(of_noise, of_step), rectangular(abs(self.drift) / 2)))


def plateau_of(
    seconds: Floats, readings: Floats, clipped: npt.NDArray[np.bool_] | None = None, step: float = 0.0
) -> Plateau | None:
    """Return what a window shows; None where there is no reading.

    `seconds` (n) are the times, `readings` (n) have NaN for none, `clipped` (n) tells which stood at an end
    of the range; `step` is one count of the channel, else the smallest difference seen counts.
    """
    there = ~np.isnan(readings)
    if not there.any():
        return None
    t, x = seconds[there], readings[there]
    mean, span_s = float(x.mean()), float(t[-1] - t[0])
    apart = np.abs(np.diff(x))
    apart = apart[apart > 0]
    middle = t - t.mean()
    squares = float(middle @ middle)
    slope = float(middle @ (x - mean)) / squares if squares > 0 else 0.0
    parts = [float(part.mean()) for part in np.array_split(x, PARTS) if len(part)]
    return Plateau(
        mean=mean,
        noise=float(np.sqrt(np.mean(np.diff(x) ** 2) / 2)) if len(x) > 1 else 0.0,
        drift=slope * span_s,
        wander=max(parts) - min(parts),
        step=step or (float(apart.min()) if len(apart) else 0.0),
        readings=len(x),
        seconds=round(span_s, 3),
        clipped=0 if clipped is None else int(clipped[there].sum()),
    )
