"""What the bench file knows of one logger: the calibrations of its channels, and the rig it stands in."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from capture.calibration.channel import Calibration
from capture.calibration.leads import Rig

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class CalibratedLogger:
    """A logger as the bench file calls it; `calibrations` by the column that the logger gives."""

    name: str = ""
    calibrations: Mapping[str, Calibration] = field(default_factory=dict)
    rig: Rig | None = None

    def as_json(self) -> dict[str, Any]:
        """Return it as a journal keeps it."""
        return {
            "name": self.name,
            "calibrations": [calibration.as_json() for calibration in self.calibrations.values()],
            "rig": None if self.rig is None else self.rig.as_json(),
        }

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> CalibratedLogger:
        """Return the logger that a journal kept; raise KeyError, TypeError or ValueError otherwise."""
        known = [Calibration.from_json(entry) for entry in document["calibrations"]]
        rig = document["rig"]
        return cls(
            str(document["name"]),
            {calibration.column: calibration for calibration in known},
            None if rig is None else Rig.from_json(rig),
        )

    def of(self, columns: Mapping[str, object]) -> tuple[Calibration, ...]:
        """Return the calibrations that apply to these columns of the logger, in their order."""
        return tuple(self.calibrations[column] for column in columns if column in self.calibrations)
