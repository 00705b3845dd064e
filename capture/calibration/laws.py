"""What makes a quantity of what a logger gave: a straight line, or the law of a thermistor."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, log, sqrt
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

KELVIN_AT_0_DEGC: Final = 273.15
KELVIN_AT_25_DEGC: Final = 298.15
#: A divider that stands closer than this to either end has an open or shorted sensor.
_LEAST_RATIO: Final = 0.005
#: Outside of this no thermistor of a pack is alive; an open or shorted one reads so.
_COLDEST_DEGC: Final = -60.0
_HOTTEST_DEGC: Final = 200.0
_AROUND_K: Final = 0.5


class Law(Protocol):
    """Turns readings as the logger gave them into readings in the unit of the column."""

    def of(self, given: Floats) -> Floats:
        """Return the readings (n); NaN stays NaN, and is what a broken sensor reads."""

    def given_at(self, readings: Floats) -> Floats:
        """Return what was given where these were the readings: `of` undone; NaN where it cannot be."""

    @property
    def sensitivity(self) -> float:
        """By how much the reading moves for one unit of what is given, above 0: what a count becomes."""


@dataclass(frozen=True, slots=True)
class Line:
    """reading = scale x given + offset; `scale` is not 0."""

    scale: float = 1.0
    offset: float = 0.0

    def of(self, given: Floats) -> Floats:
        """Return scale x given + offset."""
        return np.asarray(self.scale * given + self.offset)

    def given_at(self, readings: Floats) -> Floats:
        """Return (readings - offset) / scale."""
        return np.asarray((readings - self.offset) / self.scale)

    @property
    def sensitivity(self) -> float:
        """The scale, without its sign."""
        return abs(self.scale)


@dataclass(frozen=True, slots=True)
class Thermistor:
    """Temperature in degC of a thermistor: 1/T = a + b ln R + c (ln R)^3 (Steinhart and Hart, 1968).

    `given` is its resistance in ohm; with `pull_up_ohm` what is read over it (thermistor to ground), of which
    the whole supply would read `supply`: R = pull-up x ratio / (1 - ratio), ratio = given / supply.
    """

    a: float
    b: float
    c: float
    pull_up_ohm: float | None = None
    supply: float = 1.0

    @classmethod
    def of_beta(
        cls, beta_k: float, r25_ohm: float, pull_up_ohm: float | None = None, supply: float = 1.0
    ) -> Thermistor:
        """Return the law 1/T = 1/298.15 K + ln(R / R25) / beta, which is one with c = 0."""
        a = 1 / KELVIN_AT_25_DEGC - log(r25_ohm) / beta_k
        return cls(a, 1 / beta_k, 0.0, pull_up_ohm, supply)

    @classmethod
    def through(
        cls,
        points: Sequence[tuple[float, float]],
        pull_up_ohm: float | None = None,
        supply: float = 1.0,
        u_kelvin: Sequence[float] | None = None,
    ) -> Thermistor:
        """Return the law through three points of temperature in degC and resistance in ohm, nearest to more.

        `u_kelvin` weighs the points, all alike without it. Raises ValueError where they make no law.
        """
        degc, ohm = np.array(points).T
        kelvin, ln_r = degc + KELVIN_AT_0_DEGC, np.log(ohm)
        weights = kelvin**2 / (
            np.ones(len(points)) if u_kelvin is None else np.array(u_kelvin)
        )  # u of 1/T is u / T^2
        left = np.column_stack([np.ones(len(points)), ln_r, ln_r**3]) * weights[:, None]
        widths = np.linalg.norm(left, axis=0)  # the cubes are a million times the ones
        found, _, rank, _ = np.linalg.lstsq(left / widths, weights / kelvin, rcond=None)
        if rank < len(found):
            raise ValueError("three different temperatures and resistances are needed")
        a, b, c = (found / widths).tolist()
        return cls(a, b, c, pull_up_ohm, supply)

    def of(self, given: Floats) -> Floats:
        """Return the temperature in degC; NaN where the sensor is open, shorted, or beyond any pack."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            ohm = self.ohm_of(given)
            ln_r = np.log(np.where(ohm > 0, ohm, np.nan))
            degc = 1 / (self.a + self.b * ln_r + self.c * ln_r**3) - KELVIN_AT_0_DEGC
            return np.asarray(np.where((degc > _COLDEST_DEGC) & (degc < _HOTTEST_DEGC), degc, np.nan))

    def ohm_of(self, given: Floats) -> Floats:
        """Return the resistance in ohm of what is given; NaN where a divider stands at either end."""
        if self.pull_up_ohm is None:
            return given
        ratio = given / self.supply
        inside = (ratio > _LEAST_RATIO) & (ratio < 1 - _LEAST_RATIO)
        ratio = np.where(inside, ratio, np.nan)
        return np.asarray(self.pull_up_ohm * ratio / (1 - ratio))

    def given_at(self, readings: Floats) -> Floats:
        """Return what is given at readings in degC: `of` undone; NaN where the law never gets there.

        With s = sqrt(|b / 3c|) and L = 2 s sinh(x), b L + c L^3 is 2/3 s b sinh(3x), and with sines where b
        and c differ in sign: then of the three roots that where the law rises as at c = 0.
        """
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            right = 1 / (readings + KELVIN_AT_0_DEGC) - self.a
            if self.c == 0:
                ln_r = right / self.b
            elif self.b == 0:
                ln_r = np.cbrt(right / self.c)
            else:
                bend = sqrt(abs(self.b / (3 * self.c)))
                threefold = 3 * right / (2 * bend * self.b)
                rises = (self.b > 0) == (self.c > 0)
                one = np.sinh(np.arcsinh(threefold) / 3) if rises else np.sin(np.arcsin(threefold) / 3)
                ln_r = 2 * bend * one
            ohm = np.exp(ln_r)
            if self.pull_up_ohm is None:
                return np.asarray(ohm)
            return np.asarray(self.supply * ohm / (ohm + self.pull_up_ohm))

    @property
    def sensitivity(self) -> float:
        """Kelvin for one unit of what is given, at 25 degC; 0 where the law never gets there."""
        around = np.array([-_AROUND_K, _AROUND_K]) + KELVIN_AT_25_DEGC - KELVIN_AT_0_DEGC
        low, high = self.given_at(around).tolist()
        return 2 * _AROUND_K / abs(high - low) if isfinite(high - low) and high != low else 0.0
