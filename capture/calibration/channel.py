"""The calibration of one channel: its law, how well the law is known, when it was found, and against what."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from capture.calibration.laws import Law, Line, Thermistor

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Calibration:
    """What is done to the readings of `column`, which become those of `becomes` (the same as a rule).

    `u_scale` and `u_offset` are standard uncertainties of the line's numbers (None where nobody has measured
    them) and `correlation` lies between them; of a thermistor `u_offset` alone, in K. `constants` are what
    the law was computed from, for the record.
    """

    column: str
    law: Law = field(default_factory=Line)
    kind: str = "gain"
    becomes: str = ""
    u_scale: float | None = None
    u_offset: float | None = None
    correlation: float = 0.0
    date: str | None = None
    reference: str | None = None
    constants: Mapping[str, Any] = field(default_factory=dict)

    @property
    def target(self) -> str:
        """The column that its readings become."""
        return self.becomes or self.column

    def as_json(self) -> dict[str, Any]:
        """Return it as a recording and a journal keep it; `column` is that of the recording."""
        line = self.law if isinstance(self.law, Line) else None
        return {
            "column": self.target,
            "of_column": self.column,
            "kind": self.kind,
            "scale": 1.0 if line is None else line.scale,
            "offset": 0.0 if line is None else line.offset,
            "thermistor": asdict(self.law) if isinstance(self.law, Thermistor) else None,
            "sensitivity": self.law.sensitivity,
            "u_scale": self.u_scale,
            "u_offset": self.u_offset,
            "correlation": self.correlation,
            "date": self.date,
            "reference": self.reference,
            "constants": dict(self.constants),
        }

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> Calibration:
        """Return the calibration that a journal or recording kept; raise KeyError or TypeError otherwise."""
        thermistor = document["thermistor"]
        law: Law = Line(float(document["scale"]), float(document["offset"]))
        if thermistor is not None:
            law = Thermistor(**thermistor)
        becomes, column = document["column"], document["of_column"]
        return cls(
            column,
            law,
            str(document["kind"]),
            becomes if becomes != column else "",
            document["u_scale"],
            document["u_offset"],
            float(document["correlation"]),
            document["date"],
            document["reference"],
            dict(document["constants"]),
        )
