"""The run card: what a person knows about a run and no sensor can tell."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from typing import Any


class Outcome(StrEnum):
    """How a run went, as the operator saw it."""

    COMPLETED = "completed"
    TRIPPED = "tripped"  # tool or pack stopped by itself
    OPERATOR_STOP = "operator stop"
    RIG_FAILURE = "rig failure"
    VOID = "void"  # kept, and not counted


@dataclass(frozen=True, slots=True)
class RunCard:
    """Kind of run, pack, tool, work and outcome; what is not known is None or empty.

    `setting` is the tool's gear, clutch or speed setting, `accessory` the blade, chain or bit, `material` and
    `section_mm2` what was cut and how large, `wiring` where the voltage is sensed and what the rig adds.
    `series` is how many groups of cells the pack has in a row, `cutoff_v` the voltage of the whole pack under
    load at which it is to stop; the remaining time needs both. What passes a limit (`cutoff_v`,
    `max_current_a`, `max_temperature_degc`) is an alarm. `repeats` names the recording that this run does
    again.
    """

    kind: str | None = None
    pack: str | None = None
    tool: str | None = None
    note: str = ""
    series: int | None = None
    cutoff_v: float | None = None
    setting: str | None = None
    accessory: str | None = None
    material: str | None = None
    section_mm2: float | None = None
    ambient_degc: float | None = None
    wiring: str | None = None
    max_current_a: float | None = None
    max_temperature_degc: float | None = None
    repeats: str | None = None
    outcome: Outcome | None = None
    outcome_reason: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the card as it stands in a recording."""
        return asdict(self)

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> RunCard:
        """Return the card of a recording; fields and outcomes of a later version are passed over."""
        known = {field.name for field in fields(cls)}
        given = {name: value for name, value in document.items() if name in known and value is not None}
        outcome = given.pop("outcome", None)
        return cls(**given, outcome=Outcome(outcome) if outcome in list(Outcome) else None)
