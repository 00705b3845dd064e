"""The constants of a thermistor from known temperatures: beta by two points, Steinhart-Hart by more."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.calibration.laws import KELVIN_AT_0_DEGC, KELVIN_AT_25_DEGC, Thermistor

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

_TWO: Final = 2
_THREE: Final = 3
#: By so much, at most, a law of one beta misses a thermistor between two points 60 K apart (0.31 K of a 10 k
#: thermistor with B25/85 = 3977 K: Vishay document 29049); it grows with the square of their distance.
_BENT_K: Final = 0.35
_BENT_OVER_K: Final = 60.0
_PLACES: Final = 21


@dataclass(frozen=True, slots=True)
class ThermistorPoint:
    """A known temperature in degC and the resistance there in ohm, each with its standard uncertainty."""

    degc: float
    ohm: float
    u_degc: float = 0.0
    u_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class FittedThermistor:
    """`constants` as the bench file has them; `u_kelvin` of a temperature between the points.

    It is None where nothing tells it. `residuals` are what each point leaves, in kelvin.
    """

    constants: dict[str, Any]
    law: Thermistor
    u_kelvin: float | None
    residuals: tuple[float, ...]


def fit_thermistor(points: Sequence[ThermistorPoint]) -> FittedThermistor:
    """Return the law of known temperatures.

    u is the largest between the coldest and the hottest point: each point's own, taken through the law (JCGM
    100:2008, 5.1.2, sensitivities by differences), the scatter of four or more where that is larger, and of
    two points how much a law of one beta bends away between them. Raises ValueError where the points make
    no law.
    """
    _check(points)
    law = _law(points)
    if not law.b + 3 * law.c * log(points[0].ohm) ** 2 > 0:
        raise ValueError("the resistance does not fall with the temperature")
    left = tuple(float(point.degc - law.of(np.array([point.ohm]))[0]) for point in points)
    if not np.isfinite(left).all():
        raise ValueError("the law through them does not come back to them")
    own = _own_u(points, law)
    spread = (sum(one**2 for one in left) / (len(points) - _THREE)) ** 0.5 if len(points) > _THREE else 0.0
    bent = 0.0
    if len(points) == _TWO:
        bent = _BENT_K * ((points[0].degc - points[1].degc) / _BENT_OVER_K) ** 2 / _THREE**0.5
    u = float(np.hypot(max(own, spread), bent)) if own > 0 or spread > 0 else None
    return FittedThermistor(_constants(law, len(points)), law, u, left)


def _check(points: Sequence[ThermistorPoint]) -> None:
    if len(points) < _TWO:
        raise ValueError("two known temperatures at least are needed, three for Steinhart-Hart")
    if any(point.ohm <= 0 for point in points):
        raise ValueError("a resistance must be above 0 ohm")
    if any(point.degc <= -KELVIN_AT_0_DEGC for point in points):
        raise ValueError("a temperature lies below absolute zero")
    if len({point.degc for point in points}) < min(len(points), _THREE):
        raise ValueError("two of the temperatures are the same")
    if len({point.ohm for point in points}) < min(len(points), _THREE):
        raise ValueError("two of the resistances are the same: the sensor did not follow")


def _law(points: Sequence[ThermistorPoint]) -> Thermistor:
    if len(points) == _TWO:
        (first, second) = points
        inverse = [1 / (point.degc + KELVIN_AT_0_DEGC) for point in points]
        beta_k = log(second.ohm / first.ohm) / (inverse[1] - inverse[0])
        r25_ohm = first.ohm * float(np.exp(beta_k * (1 / KELVIN_AT_25_DEGC - inverse[0])))
        if beta_k <= 0:
            raise ValueError("the resistance does not fall with the temperature")
        return Thermistor.of_beta(beta_k, r25_ohm)
    around = [_kelvin_of(point) for point in points]
    u = np.maximum(around, max(around) * 1e-3) if max(around) > 0 else np.ones(len(points))
    return Thermistor.through([(point.degc, point.ohm) for point in points], u_kelvin=u.tolist())


def _kelvin_of(point: ThermistorPoint) -> float:
    """Return u of a point in kelvin, its resistance counted as 4 % a kelvin, as of most thermistors."""
    return float(np.hypot(point.u_degc, point.u_ohm / point.ohm / 0.04))


def _own_u(points: Sequence[ThermistorPoint], law: Thermistor) -> float:
    degc = [point.degc for point in points]
    at: npt.NDArray[np.float64] = law.given_at(np.linspace(min(degc), max(degc), _PLACES))
    inside = law.of(at)
    variance = np.zeros(_PLACES)
    for number, point in enumerate(points):
        for moved in (
            replace(point, degc=point.degc + point.u_degc),
            replace(point, ohm=point.ohm + point.u_ohm),
        ):
            if moved != point:
                others = [*points[:number], moved, *points[number + 1 :]]
                variance += (_law(others).of(at) - inside) ** 2
    return float(np.sqrt(variance.max()))


def _constants(law: Thermistor, points: int) -> dict[str, Any]:
    if points > _TWO:
        return {"steinhart_hart": [law.a, law.b, law.c]}
    r25_ohm = float(law.given_at(np.array([KELVIN_AT_25_DEGC - KELVIN_AT_0_DEGC]))[0])
    return {"beta_k": 1 / law.b, "r25_ohm": r25_ohm}
