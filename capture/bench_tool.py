"""A tool as a person describes it in the bench file.

    [tools.polesaw]
    kind = "saw"                  # "impact": its torque is not reported; "press" or "ram": force at the end
    regulated = false             # true where electronics hold the speed: the motor's line does not hold then
    current_limit_a = 40          # where the tool's electronics clamp the current
    no_load_speed_rpm = 4200      # as the maker states it
    pulses_per_rev = 2            # of the rig's tachometer on it; the logger's calibration divides by it
    piston_area_mm2 = 491         # of a ram or press whose pressure is measured: force = pressure x area

What a later version of the file knows more of tools is passed over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capture.run_card import checked_field

if TYPE_CHECKING:
    from collections.abc import Mapping

_FIELD_OF: Final = {
    "kind": "tool_kind",
    "regulated": "regulated",
    "current_limit_a": "current_limit_a",
    "no_load_speed_rpm": "no_load_speed_rpm",
    "pulses_per_rev": "pulses_per_rev",
    "piston_area_mm2": "piston_area_mm2",
}


@dataclass(frozen=True, slots=True)
class BenchTool:
    """What the analysis needs of a tool, named and meant as on the run card; what is not known is None."""

    tool_kind: str | None = None
    regulated: bool | None = None
    current_limit_a: float | None = None
    no_load_speed_rpm: float | None = None
    pulses_per_rev: float | None = None
    piston_area_mm2: float | None = None

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> BenchTool:
        """Return the tool that a table describes; raise ValueError that names the key and what is wrong."""
        known: dict[str, Any] = {}
        for key, field in _FIELD_OF.items():
            if key not in table:
                continue
            try:
                known[field] = checked_field(field, table[key])
            except ValueError as error:
                raise ValueError(f"{key} {error}") from error
        return cls(**known)
