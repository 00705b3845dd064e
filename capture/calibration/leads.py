"""What lies between pack and tool on the rig: leads, shunt, fuse, adapter, each a resistance.

Copper by the International Annealed Copper Standard, 1/58 ohm.mm2/m at 20 degC and 0.00393 per kelvin (NBS
Handbook 100, 1966, as quoted; IEC 60028:1925 has the same 1/58, from memory). Wire gauges by ASTM B258:
0.005 in x 92^((36 - n)/39).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import hypot, pi
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

COPPER_OHM_MM2_PER_M: Final = 1 / 58
COPPER_PER_K: Final = 0.00393
_INCH_MM: Final = 25.4
_SIGNIFICANT: Final = 3.0


def awg_mm2(gauge: float) -> float:
    """Return the copper section of a wire gauge in mm2; 1/0 to 4/0 are 0 to -3."""
    diameter_mm: float = 0.005 * _INCH_MM * 92 ** ((36 - gauge) / 39)
    return pi / 4 * diameter_mm**2


def copper_ohm(section_mm2: float, length_m: float, temperature_degc: float = 20.0) -> float:
    """Return the resistance in ohm of `length_m` of copper; a lead to and fro has twice its length."""
    warmth = 1 + COPPER_PER_K * (temperature_degc - 20.0)
    return COPPER_OHM_MM2_PER_M * length_m / section_mm2 * warmth


@dataclass(frozen=True, slots=True)
class Resistor:
    """One part of the rig in the way of the current, in ohm, with its standard uncertainty."""

    name: str
    ohm: float
    u_ohm: float


def resistor_of_drop(name: str, volts: tuple[float, float], amperes: tuple[float, float]) -> Resistor:
    """Return a part from the voltage over it and the current through it, each with its standard uncertainty.

    R = U / I, (u_R / R)^2 = (u_U / U)^2 + (u_I / I)^2 (JCGM 100:2008, 5.1.6). Raises ValueError for a current
    that is not told from none, or a drop that is no resistance.
    """
    (drop_v, u_v), (current_a, u_a) = volts, amperes
    if abs(current_a) <= _SIGNIFICANT * u_a:
        raise ValueError(f"needs a current, and {current_a:.3g} A is not told from none")
    ohm = drop_v / current_a
    if ohm < 0:
        raise ValueError("has a drop against the current: swap the meter's leads")
    return Resistor(name, ohm, hypot(u_v / current_a, ohm * u_a / current_a))


@dataclass(frozen=True, slots=True)
class Rig:
    """What the rig puts between pack and tool, and on which side of it the voltage is sensed.

    `sensed_at` is "pack" or "tool"; `date` and `reference` say when it was measured, and with what;
    `constants` are what it was computed from, as the bench file has them.
    """

    parts: tuple[Resistor, ...]
    sensed_at: str = "pack"
    date: str | None = None
    reference: str | None = None
    constants: Mapping[str, Any] = field(default_factory=dict)

    @property
    def ohm(self) -> float:
        """All of it in ohm."""
        return sum(part.ohm for part in self.parts)

    @property
    def u_ohm(self) -> float:
        """Its standard uncertainty: the parts' are independent of one another."""
        return float(sum(part.u_ohm**2 for part in self.parts) ** 0.5)

    def as_json(self) -> dict[str, Any]:
        """Return it as a recording and a journal keep it."""
        return {
            "parts": [{"name": part.name, "ohm": part.ohm, "u_ohm": part.u_ohm} for part in self.parts],
            "ohm": self.ohm,
            "u_ohm": self.u_ohm,
            "sensed_at": self.sensed_at,
            "date": self.date,
            "reference": self.reference,
            "constants": dict(self.constants),
        }

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> Rig:
        """Return the rig that a journal or recording kept."""
        parts = (
            Resistor(str(part["name"]), float(part["ohm"]), float(part["u_ohm"]))
            for part in document["parts"]
        )
        return cls(
            tuple(parts),
            str(document["sensed_at"]),
            document.get("date"),
            document.get("reference"),
            dict(document.get("constants") or {}),
        )
