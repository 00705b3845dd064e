"""Quantities, units and the sign of current: stated here and nowhere else.

Current is positive while the pack discharges. Inside and in files a number is in the unit of its name
(`current_a`, `speed_rpm`); conversion factors are exact (NIST SP 811, 2008, appendix B.8).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

COULOMB_PER_AH: Final = 3600.0
JOULE_PER_WH: Final = 3600.0
M2_PER_MM2: Final = 1e-6

#: Unit symbols a channel may carry and the ending that a column gets. Symbols of RFC 8428 section 12.1
#: (SenML units), and N.m as our own addition.
COLUMN_ENDINGS: Final = {
    "A": "a",
    "V": "v",
    "W": "w",
    "N": "n",
    "N.m": "nm",
    "Pa": "pa",
    "Cel": "degc",
    "1/min": "rpm",
    "m/s": "m_per_s",
    "kg": "kg",
    "Hz": "hz",
    "Ohm": "ohm",
    "%": "percent",
    "%RH": "percent_rh",
    "count": "count",
}

_UNIT_OF_ENDING: Final = {ending: unit for unit, ending in COLUMN_ENDINGS.items()}

#: How a unit is shown to people.
UNIT_LABELS: Final = {"Cel": "°C", "1/min": "rpm", "N.m": "N·m", "Ohm": "Ω"}


@dataclass(frozen=True, slots=True)
class Figure:
    """One reported number: value, standard uncertainty `u` (None where none can be given) and unit."""

    value: float
    u: float | None
    unit: str

    def as_json(self) -> dict[str, float | str | None]:
        """Return the figure as the command line prints it."""
        return {"value": self.value, "u": self.u, "unit": self.unit}


def column_name(quantity: str, unit: str) -> str | None:
    """Return the column of a channel, such as `pack_temperature_degc`; None for a unit not listed."""
    ending = COLUMN_ENDINGS.get(unit)
    return None if ending is None else f"{quantity}_{ending}"


def unit_of(column: str) -> str | None:
    """Return the unit that the name of a column carries, such as V of `group_1_v`; None for another name."""
    fitting = [ending for ending in _UNIT_OF_ENDING if column.endswith(f"_{ending}")]
    return _UNIT_OF_ENDING[max(fitting, key=len)] if fitting else None


def ah_from_coulomb(charge_c: float) -> float:
    """Return ampere hours; 1 A.h = 3600 C exactly."""
    return charge_c / COULOMB_PER_AH


def wh_from_joule(energy_j: float) -> float:
    """Return watt hours; 1 W.h = 3600 J exactly."""
    return energy_j / JOULE_PER_WH
