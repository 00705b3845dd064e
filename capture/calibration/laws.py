"""What makes a quantity of what a logger gave: a straight line, or the law of a thermistor."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

KELVIN_AT_0_DEGC: Final = 273.15
_KELVIN_AT_25_DEGC: Final = 298.15
#: A divider that stands closer than this to either end has an open or shorted sensor.
_LEAST_RATIO: Final = 0.005
#: Outside of this no thermistor of a pack is alive; an open or shorted one reads so.
_COLDEST_DEGC: Final = -60.0
_HOTTEST_DEGC: Final = 200.0


class Law(Protocol):
    """Turns readings as the logger gave them into readings in the unit of the column."""

    def of(self, given: Floats) -> Floats:
        """Return the readings (n); NaN stays NaN, and is what a broken sensor reads."""


@dataclass(frozen=True, slots=True)
class Line:
    """reading = scale x given + offset; `scale` is not 0."""

    scale: float = 1.0
    offset: float = 0.0

    def of(self, given: Floats) -> Floats:
        """Return scale x given + offset."""
        return np.asarray(self.scale * given + self.offset)


@dataclass(frozen=True, slots=True)
class Thermistor:
    """Temperature in degC of a thermistor: 1/T = a + b ln R + c (ln R)^3 (Steinhart and Hart, 1968).

    `given` is its resistance in ohm; with `pull_up_ohm` the ratio of the voltage over it (thermistor to
    ground) to the supply, R = pull-up x ratio / (1 - ratio).
    """

    a: float
    b: float
    c: float
    pull_up_ohm: float | None = None

    @classmethod
    def of_beta(cls, beta_k: float, r25_ohm: float, pull_up_ohm: float | None = None) -> Thermistor:
        """Return the law 1/T = 1/298.15 K + ln(R / R25) / beta, which is one with c = 0."""
        return cls(1 / _KELVIN_AT_25_DEGC - log(r25_ohm) / beta_k, 1 / beta_k, 0.0, pull_up_ohm)

    @classmethod
    def through(cls, points: tuple[tuple[float, float], ...], pull_up_ohm: float | None = None) -> Thermistor:
        """Return the law through three points of temperature in degC and resistance in ohm."""
        ln_r = np.log([ohm for _, ohm in points])
        inverse = 1 / (np.array([degc for degc, _ in points]) + KELVIN_AT_0_DEGC)
        a, b, c = np.linalg.solve(np.column_stack([np.ones(3), ln_r, ln_r**3]), inverse)
        return cls(float(a), float(b), float(c), pull_up_ohm)

    def of(self, given: Floats) -> Floats:
        """Return the temperature in degC; NaN where the sensor is open, shorted, or beyond any pack."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            if self.pull_up_ohm is None:
                ohm = given
            else:
                inside = (given > _LEAST_RATIO) & (given < 1 - _LEAST_RATIO)
                ohm = np.where(inside, self.pull_up_ohm * given / (1 - given), np.nan)
            ln_r = np.log(np.where(ohm > 0, ohm, np.nan))
            degc = 1 / (self.a + self.b * ln_r + self.c * ln_r**3) - KELVIN_AT_0_DEGC
            return np.asarray(np.where((degc > _COLDEST_DEGC) & (degc < _HOTTEST_DEGC), degc, np.nan))
