"""The run card: what a person knows about a run and no sensor can tell."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from typing import Any, Final

#: The kinds of run that have rules of their own; any other words are allowed.
KINDS: Final = (
    "timed cut",
    "stall",
    "free run",
    "run-down",
    "repeated fastening",
    "press",
    "sag test",
    "cut-out hunt",
)
_NEVER_NONE: Final = frozenset({"note", "outcome_reason"})
_ABSOLUTE_ZERO_DEGC: Final = -273.15
#: What a number of the card must lie above.
_ABOVE: Final = {
    "cutoff_v": 0.0,
    "section_mm2": 0.0,
    "capacity_ah": 0.0,
    "piston_area_mm2": 0.0,
    "max_current_a": 0.0,
    "force_threshold_n": 0.0,
    "no_load_speed_rpm": 0.0,
    "pulses_per_rev": 0.0,
    "current_limit_a": 0.0,
    "ambient_degc": _ABSOLUTE_ZERO_DEGC,
    "max_temperature_degc": _ABSOLUTE_ZERO_DEGC,
}
_MOST: Final = {"series": 1000, "fasteners": 100_000}
_YES_OR_NO: Final = frozenset({"regulated"})
#: The kind of a tool whose torque nobody measured: it comes in blows.
IMPACT: Final = "impact"
#: Kinds of runs in which nothing is cut through.
_NEVER_SEVERS: Final = frozenset({"stall", "free run", "repeated fastening", "press", "sag test"})
#: Kinds of tools that push with a piston or a screw.
PRESSES: Final = frozenset({"press", "ram"})


class Outcome(StrEnum):
    """How a run went, as the operator saw it."""

    COMPLETED = "completed"
    TRIPPED = "tripped"  # tool or pack stopped by itself
    OPERATOR_STOP = "operator stop"
    RIG_FAILURE = "rig failure"
    VOID = "void"  # kept, and not counted


#: Outcomes that mean little without the reason.
NEED_A_REASON: Final = frozenset({Outcome.RIG_FAILURE, Outcome.VOID})


@dataclass(frozen=True, slots=True)
class RunCard:
    """Kind of run, pack, tool, work and outcome; what is not known is None or empty.

    `setting` is the tool's gear, clutch or speed setting, `accessory` the blade, chain or bit, `material` and
    `section_mm2` what was cut and how large, `wiring` where the voltage is sensed and what the rig adds.
    `fasteners` is how many were driven, `piston_area_mm2` the piston of a ram or press whose pressure is
    measured, `force_threshold_n` the force whose time is asked for. Of the tool: `tool_kind` (saw, drill,
    impact, press, ...), `regulated` tells whether it holds its speed, `current_limit_a` where it clamps its
    current, `no_load_speed_rpm` what its maker states, `pulses_per_rev` what its tachometer gives a turn.
    `series` is how many groups of cells the pack has in a row, `cutoff_v` the voltage of the whole
    pack under load at which it is to stop; the remaining time needs both. `capacity_ah` is what the pack is
    rated for, `chemistry` (such as nmc or lfp) picks its open-circuit curve. What passes a limit
    (`cutoff_v`, `max_current_a`, `max_temperature_degc`) is an alarm. `repeats` names the recording that
    this run does again.
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
    capacity_ah: float | None = None
    chemistry: str | None = None
    fasteners: int | None = None
    piston_area_mm2: float | None = None
    force_threshold_n: float | None = None
    tool_kind: str | None = None
    regulated: bool | None = None
    current_limit_a: float | None = None
    no_load_speed_rpm: float | None = None
    pulses_per_rev: float | None = None
    repeats: str | None = None
    outcome: Outcome | None = None
    outcome_reason: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the card as it stands in a recording."""
        return asdict(self)

    @property
    def torque_comes_in_blows(self) -> bool:
        """Whether a torque channel shows anything but the tool's own torque: that of an impact tool."""
        return (self.tool_kind or "").strip().lower() == IMPACT

    @property
    def presses(self) -> bool:
        """Whether the run pushes: a press or ram, or one whose piston or threshold is given."""
        words = {(self.kind or "").strip().lower(), (self.tool_kind or "").strip().lower()}
        return bool(words & PRESSES) or self.piston_area_mm2 is not None or self.force_threshold_n is not None

    @property
    def may_sever(self) -> bool:
        """Whether the kind of run has a contact and a severance to look for."""
        return not self.presses and (self.kind or "").strip().lower() not in _NEVER_SEVERS

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> RunCard:
        """Return the card of a recording; fields and outcomes of a later version are passed over."""
        known = {field.name for field in fields(cls)}
        given = {name: value for name, value in document.items() if name in known and value is not None}
        outcome = given.pop("outcome", None)
        return cls(**given, outcome=Outcome(outcome) if outcome in list(Outcome) else None)


def is_card(document: dict[str, Any]) -> bool:
    """Return whether the known fields of a recording's card hold numbers and words where they should."""
    for field in fields(RunCard):
        value = document.get(field.name)
        if field.name in _YES_OR_NO:
            if not isinstance(value, bool | None):
                return False
            continue
        wanted = int | float if field.name in _ABOVE or field.name in _MOST else str
        if value is not None and (isinstance(value, bool) or not isinstance(value, wanted)):
            return False
    return True


def checked_text(value: object) -> str:
    """Return `value` where it is text that any file can hold; raise ValueError otherwise."""
    if not isinstance(value, str):
        raise ValueError(f"is {type(value).__name__} and no text")  # noqa: TRY004  one error for all that is wrong
    try:
        value.encode()
    except UnicodeEncodeError:
        raise ValueError("holds half a character") from None
    return value


def checked_number(value: object, *, above: float = -math.inf) -> float:
    """Return `value` where it is a finite number above the bound; raise ValueError otherwise."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("is not a number")  # noqa: TRY004
    if isinstance(value, int) and abs(value) > 10**15:
        raise ValueError("is too large a number")
    if not math.isfinite(value):
        raise ValueError("is not a finite number")
    if value <= above:
        raise ValueError(f"must be above {above:g}")
    return float(value)


def checked_field(name: str, value: object) -> Any:
    """Return `value` as the field `name` of a run card holds it; raise ValueError that says what is wrong.

    Empty words stand for what is not known.
    """
    if name not in {field.name for field in fields(RunCard)}:
        raise ValueError("is no field of a run card")
    if value is None or value == "":
        return "" if name in _NEVER_NONE else None
    if name == "outcome":
        if value not in list(Outcome):
            raise ValueError(f"is none of {', '.join(Outcome)}")
        return Outcome(str(value))
    if name in _MOST:
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= _MOST[name]:
            raise ValueError(f"is not a whole number from 1 to {_MOST[name]}")
        return value
    if name in _YES_OR_NO:
        if not isinstance(value, bool):
            raise ValueError("is neither yes nor no")
        return value
    if name in _ABOVE:
        return checked_number(value, above=_ABOVE[name])
    return checked_text(value)
