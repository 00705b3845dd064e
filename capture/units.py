"""Units that other programs and gauges use, each as one of ours and an exact factor.

Factors are exact rationals of 1 in = 0.0254 m, 1 lb = 0.453 592 37 kg and g = 9.806 65 m/s2; NIST SP 811
(2008), appendix B.8 prints them rounded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

STANDARD_GRAVITY: Final = 9.80665
_INCH_M: Final = 0.0254
_POUND_KG: Final = 0.45359237
_POUND_FORCE_N: Final = _POUND_KG * STANDARD_GRAVITY
_FOOT_M: Final = 12 * _INCH_M


@dataclass(frozen=True, slots=True)
class UnitScale:
    """A unit as one of ours: ours = theirs x factor + offset; `unit` is the symbol of `COLUMN_ENDINGS`.

    Times are in `s`.
    """

    unit: str
    factor: float = 1.0
    offset: float = 0.0


_CELSIUS: Final = UnitScale("Cel")
UNITS: Final = {
    "s": UnitScale("s"),
    "sec": UnitScale("s"),
    "ms": UnitScale("s", 1e-3),
    "us": UnitScale("s", 1e-6),
    "min": UnitScale("s", 60.0),
    "h": UnitScale("s", 3600.0),
    "A": UnitScale("A"),
    "mA": UnitScale("A", 1e-3),
    "V": UnitScale("V"),
    "mV": UnitScale("V", 1e-3),
    "W": UnitScale("W"),
    "kW": UnitScale("W", 1e3),
    "hp": UnitScale("W", 550 * _FOOT_M * _POUND_FORCE_N),
    "hp(metric)": UnitScale("W", 75 * STANDARD_GRAVITY),
    "hp(electric)": UnitScale("W", 746.0),
    "N": UnitScale("N"),
    "kN": UnitScale("N", 1e3),
    "kgf": UnitScale("N", STANDARD_GRAVITY),
    "gf": UnitScale("N", STANDARD_GRAVITY * 1e-3),
    "lbf": UnitScale("N", _POUND_FORCE_N),
    "N.m": UnitScale("N.m"),
    "mN.m": UnitScale("N.m", 1e-3),
    "N.cm": UnitScale("N.m", 1e-2),
    "kgf.m": UnitScale("N.m", STANDARD_GRAVITY),
    "kgf.cm": UnitScale("N.m", STANDARD_GRAVITY * 1e-2),
    "lbf.in": UnitScale("N.m", _POUND_FORCE_N * _INCH_M),
    "lbf.ft": UnitScale("N.m", _POUND_FORCE_N * _FOOT_M),
    "ozf.in": UnitScale("N.m", _POUND_FORCE_N / 16 * _INCH_M),
    "Pa": UnitScale("Pa"),
    "hPa": UnitScale("Pa", 1e2),
    "mbar": UnitScale("Pa", 1e2),
    "kPa": UnitScale("Pa", 1e3),
    "MPa": UnitScale("Pa", 1e6),
    "bar": UnitScale("Pa", 1e5),
    "psi": UnitScale("Pa", _POUND_FORCE_N / _INCH_M**2),
    "inH2O": UnitScale("Pa", 249.08891),
    "Cel": _CELSIUS,
    "degC": _CELSIUS,
    "°C": _CELSIUS,
    "C": _CELSIUS,
    "degF": UnitScale("Cel", 1 / 1.8, -32 / 1.8),
    "°F": UnitScale("Cel", 1 / 1.8, -32 / 1.8),
    "K": UnitScale("Cel", 1.0, -273.15),
    "1/min": UnitScale("1/min"),
    "rpm": UnitScale("1/min"),
    "r/min": UnitScale("1/min"),
    "1/s": UnitScale("1/min", 60.0),
    "rad/s": UnitScale("1/min", 9.549296585513721),
    "Hz": UnitScale("Hz"),
    "kHz": UnitScale("Hz", 1e3),
    "m/s": UnitScale("m/s"),
    "km/h": UnitScale("m/s", 1 / 3.6),
    "mi/h": UnitScale("m/s", 0.44704),
    "mph": UnitScale("m/s", 0.44704),
    "ft/s": UnitScale("m/s", _FOOT_M),
    "kg": UnitScale("kg"),
    "g": UnitScale("kg", 1e-3),
    "lb": UnitScale("kg", _POUND_KG),
    "Ohm": UnitScale("Ohm"),
    "Ω": UnitScale("Ohm"),
    "kOhm": UnitScale("Ohm", 1e3),
    "kΩ": UnitScale("Ohm", 1e3),
    "%": UnitScale("%"),
    "%RH": UnitScale("%RH"),
    "count": UnitScale("count"),
}
#: Other spellings of the same signs.
_SIGNS: Final = str.maketrans(
    {"·": ".", "⋅": ".", "*": ".", "µ": "u", "μ": "u", "º": "°", "Ω": "Ω", " ": None}
)
_ANY_CASE: Final = {
    name.casefold(): scale
    for name, scale in UNITS.items()
    if sum(other.casefold() == name.casefold() for other in UNITS) == 1
}
_WORDS: Final = {
    "nm": "N.m",
    "seconds": "s",
    "second": "s",
    "milliseconds": "ms",
    "microseconds": "us",
    "minutes": "min",
    "hours": "h",
    "volt": "V",
    "volts": "V",
    "amp": "A",
    "amps": "A",
    "ampere": "A",
    "watt": "W",
    "watts": "W",
    "lb-in": "lbf.in",
    "in-lb": "lbf.in",
    "lb.in": "lbf.in",
    "in.lb": "lbf.in",
    "ft-lb": "lbf.ft",
    "ft.lb": "lbf.ft",
    "lb-ft": "lbf.ft",
    "lb.ft": "lbf.ft",
    "newton": "N",
}


def unit_scale(text: str) -> UnitScale | None:
    """Return what a unit as people write it is in ours; None for one that is not known.

    Prefixes are told apart by their case (mA, MA); words and symbols without two meanings may have any.
    """
    symbol = text.strip().translate(_SIGNS)
    found = UNITS.get(symbol)
    if found is None:
        found = UNITS.get(_WORDS.get(symbol.casefold(), "")) or _ANY_CASE.get(symbol.casefold())
    return found
