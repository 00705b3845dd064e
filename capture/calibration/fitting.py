"""What a calibration's constants and known values make: the entry of the bench file, with its uncertainties.

What several typed constants are uncertain by is taken through the law by differences (JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.calibration.kinds import read_calibration
from capture.calibration.laws import Law, Line, Thermistor
from capture.calibration.span import FittedSpan, KnownPoint, fit_span
from capture.calibration.thermistor_points import FittedThermistor, ThermistorPoint, fit_thermistor

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: Kinds whose law is found from known values; of the others only constants are typed.
FITTED_KINDS: Final = frozenset({"gain", "load_cell", "thermistor"})
#: Where a pack's temperature lies, in degC.
_TEMPERATURES_DEGC: Final = np.linspace(0.0, 60.0, 7)
#: A share of itself by which a resistance is moved where only its slope is asked for.
_MOVED: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Typed:
    """Constants by name and the standard uncertainties of those that have one.

    `reference_gain` is the relative standard uncertainty that all known values share.
    """

    constants: Mapping[str, Any] = field(default_factory=dict)
    us: Mapping[str, float] = field(default_factory=dict)
    reference_gain: float = 0.0


@dataclass(frozen=True, slots=True)
class Entry:
    """What the bench file holds of a channel, and what each known value leaves, in its unit."""

    values: dict[str, Any]
    residuals: tuple[float, ...] = ()


def line_entry(column: str, kind: str, typed: Typed, points: Sequence[KnownPoint]) -> Entry:
    """Return the entry of a gain or a load cell through known values (its forces, in N).

    One known value sets the zero, or the tare, and leaves the scale as it is typed. Raises ValueError where
    the values or constants make none.
    """
    scale = float(typed.constants.get("scale", 1.0))
    if not math.isfinite(scale) or scale == 0:
        raise ValueError("scale is 0: every reading would be the same")
    found = fit_span(points, reference_gain=typed.reference_gain, scale=scale)
    if not math.isfinite(found.scale) or found.scale == 0:
        raise ValueError("the known values make no scale")
    constants = {**typed.constants, "scale": found.scale}
    alone = len(points) == 1
    if kind == "load_cell":
        constants["tare"] = -found.offset / found.scale
    else:
        constants["offset"] = found.offset
    u_scale = typed.us.get("scale", 0.0) if alone else found.u_scale
    spread = _Spread.of_line(found, u_scale, _arm(column, constants) if kind == "load_cell" else 1.0)
    others = {key: u for key, u in typed.us.items() if key not in {"scale", "offset", "tare"}}
    return Entry({**constants, **_us_of_line(column, kind, constants, others, spread)}, found.residuals)


def thermistor_entry(column: str, typed: Typed, points: Sequence[ThermistorPoint]) -> Entry:
    """Return the entry of a thermistor through known temperatures; raise ValueError where they make none."""
    found: FittedThermistor = fit_thermistor(points)
    kept = {key: value for key, value in typed.constants.items() if key in {"pull_up_ohm", "supply"}}
    if len(kept) < len(typed.constants):
        raise ValueError("is given by known temperatures or by its constants, not by both")
    values = {**found.constants, **kept}
    _law(column, "thermistor", values)
    return Entry(
        values if found.u_kelvin is None else {**values, "u_offset": found.u_kelvin}, found.residuals
    )


def ohm_point(column: str, typed: Typed, known: KnownPoint) -> ThermistorPoint:
    """Return a known temperature with the resistance that the channel's reading stands for.

    Raises ValueError where the reading is that of an open or shorted sensor.
    """
    divider = {key: value for key, value in typed.constants.items() if key in {"pull_up_ohm", "supply"}}
    law = _law(column, "thermistor", {**divider, "beta_k": 1.0, "r25_ohm": 1.0})
    assert isinstance(law, Thermistor)  # noqa: S101  that is the kind's law
    moved = known.reading * (1 + _MOVED)
    ohm, beside = law.ohm_of(np.array([known.reading, moved])).tolist()
    if not ohm > 0 or not math.isfinite(beside):
        raise ValueError(f"a reading of {known.reading:g} is that of an open or shorted sensor")
    slope = (beside - ohm) / (moved - known.reading)
    return ThermistorPoint(known.reference, ohm, known.u_reference, abs(slope) * known.u_reading)


def typed_entry(column: str, kind: str, typed: Typed) -> Entry:
    """Return the entry of constants that are typed; raise ValueError where they make no law."""
    law = _law(column, kind, typed.constants)
    if isinstance(law, Line):
        us = _us_of_line(column, kind, typed.constants, typed.us, _Spread())
        return Entry({**typed.constants, **us})
    given = law.given_at(_TEMPERATURES_DEGC)
    variance = np.zeros(len(given))
    for moved in _moved(column, kind, typed.constants, typed.us):
        variance += np.nan_to_num(moved.of(given) - _TEMPERATURES_DEGC) ** 2
    u = float(np.sqrt(variance.max()))
    return Entry({**typed.constants, **({"u_offset": u} if u > 0 else {})})


@dataclass(slots=True)
class _Spread:
    """Variances of a line's scale and offset, and their covariance."""

    scale: float = 0.0
    offset: float = 0.0
    both: float = 0.0

    @classmethod
    def of_line(cls, found: FittedSpan, u_scale: float, arm: float) -> _Spread:
        both = found.correlation * u_scale * found.u_offset
        return cls((arm * u_scale) ** 2, (arm * found.u_offset) ** 2, arm * arm * both)


def _us_of_line(
    column: str, kind: str, constants: Mapping[str, Any], us: Mapping[str, float], spread: _Spread
) -> dict[str, float]:
    """Return u of scale and offset and their correlation, each where anything tells it."""
    law = _law(column, kind, constants)
    assert isinstance(law, Line)  # noqa: S101  asked of lines alone
    for moved in _moved(column, kind, constants, us):
        assert isinstance(moved, Line)  # noqa: S101  a kind keeps its law
        scale, offset = moved.scale - law.scale, moved.offset - law.offset
        spread.scale += scale**2
        spread.offset += offset**2
        spread.both += scale * offset
    found = {}
    if spread.scale > 0:
        found["u_scale"] = math.sqrt(spread.scale)
    if spread.offset > 0:
        found["u_offset"] = math.sqrt(spread.offset)
    if len(found) > 1:
        found["correlation"] = min(max(spread.both / math.sqrt(spread.scale * spread.offset), -1.0), 1.0)
    return found


def _moved(column: str, kind: str, constants: Mapping[str, Any], us: Mapping[str, float]) -> list[Law]:
    """Return the law with each constant moved by its uncertainty in turn."""
    return [_law(column, kind, {**constants, key: float(constants[key]) + u}) for key, u in us.items()]


def _law(column: str, kind: str, constants: Mapping[str, Any]) -> Law:
    return read_calibration(column, {**constants, "kind": kind}).law


def _arm(column: str, constants: Mapping[str, Any]) -> float:
    """Return what the lever arm makes of a scale."""
    law = _law(column, "load_cell", constants)
    assert isinstance(law, Line)  # noqa: S101  that is the kind's law
    return law.scale / float(constants["scale"])
