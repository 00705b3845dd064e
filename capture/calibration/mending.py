"""The calibration of a recorded channel with one or more constants mended."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from capture.calibration.channel import Calibration
from capture.calibration.kinds import KINDS, constants_of, read_calibration
from capture.calibration.laws import Line
from capture.calibration.written import read_rig

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.calibration.leads import Rig

_UNCALIBRATED: Final = {
    "kind": "gain",
    "scale": 1.0,
    "offset": 0.0,
    "thermistor": None,
    "u_scale": None,
    "u_offset": None,
    "correlation": 0.0,
    "date": None,
    "reference": None,
    "constants": {},
}
#: Constants that say the same in two ways: where one way is given, the other goes.
_LEADS: Final = (
    frozenset({"lead_length_m", "lead_awg", "lead_mm2", "lead_temperature_degc"}),
    frozenset({"leads_mohm", "leads_u_mohm"}),
)
_EITHER: Final = (frozenset({"beta_k", "r25_ohm"}), frozenset({"steinhart_hart"}))


@dataclass(frozen=True, slots=True)
class NewConstants:
    """What is mended of one column: `scale` and `offset` of its line, or `constants` of its kind by name.

    What is None or not named stays. Standard uncertainties as `Calibration` has them, or `u_gain_percent` of
    a line: what is not given is not known, since that of the old constants says nothing of the new ones.
    """

    column: str
    scale: float | None = None
    offset: float | None = None
    u_scale: float | None = None
    u_offset: float | None = None
    date: str | None = None
    reference: str | None = None
    constants: Mapping[str, Any] = field(default_factory=dict)
    u_gain_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Mended:
    """The calibrations before and after, and the constants of each by name."""

    before: Calibration
    after: Calibration
    old: dict[str, Any]
    new: dict[str, Any]


def calibration_in(document: Mapping[str, Any], column: str) -> Calibration:
    """Return the calibration that a recording's column was made with, or one that changes nothing."""
    entry = entry_in(document, column)
    return Calibration.from_json({"column": column, "of_column": column, **_UNCALIBRATED, **(entry or {})})


def entry_in(document: Mapping[str, Any], column: str) -> Mapping[str, Any] | None:
    """Return what a recording keeps of the calibration of a column; None where it had none."""
    entries = (entry for entry in document.get("calibrations") or [] if entry["column"] == column)
    return next(entries, None)


def mended(before: Calibration, new: NewConstants) -> Mended:
    """Return the calibration with the constants mended; raise ValueError that says what does not fit."""
    found = _by_name(before, new) if new.constants else _line(before, new)
    after, law = found.after, found.after.law
    u_scale = new.u_scale
    if new.u_gain_percent is not None:
        u_scale = abs(law.scale) * new.u_gain_percent / 100 if isinstance(law, Line) else None
    if u_scale is not None and not isinstance(law, Line):
        raise ValueError("of a thermistor only u_offset can be given, in kelvin")
    after = replace(
        after,
        u_scale=u_scale,
        u_offset=new.u_offset,
        correlation=0.0,
        date=new.date,
        reference=new.reference,
    )
    return replace(found, after=after)


def _line(before: Calibration, new: NewConstants) -> Mended:
    """Return the channel with another scale and offset: what other constants made them no longer counts."""
    if not isinstance(before.law, Line):
        named = ", ".join(constants_of(before))
        raise ValueError(  # noqa: TRY004  one error for all that does not fit
            f"comes from a thermistor, whose law is no scale and offset; its constants are {named} (--set)"
        )
    old = {"scale": before.law.scale, "offset": before.law.offset}
    given = {"scale": new.scale, "offset": new.offset}
    now = {key: old[key] if value is None else value for key, value in given.items()}
    if now["scale"] == 0:
        raise ValueError("cannot have a scale of 0: every reading would be the same")
    law = Line(now["scale"], now["offset"])
    return Mended(before, replace(before, law=law, kind="gain", constants={}), old, now)


def _by_name(before: Calibration, new: NewConstants) -> Mended:
    """Return the channel with constants of its kind changed by their names."""
    old = constants_of(before)
    unknown = sorted(set(new.constants) - KINDS[before.kind].constants.keys())
    if unknown:
        has = ", ".join(
            f"{key} = {old[key]}" if key in old else f"{key} (not set)"
            for key in KINDS[before.kind].constants
        )
        raise ValueError(f"has no constant {unknown[0]!r}; as a {before.kind} it has: {has}")
    kept = dict(old)
    for ways in (_EITHER, _EITHER[::-1]):
        if ways[0] & set(new.constants):
            kept = {key: value for key, value in kept.items() if key not in ways[1]}
    table = {**kept, **new.constants, "kind": before.kind, "becomes": before.becomes}
    if "lever_arm_m" in new.constants and "lever_arm_m" not in old and not before.target.endswith("_nm"):
        raise ValueError("is no torque (its name does not end in _nm), so no lever arm can be mended")
    after = read_calibration(before.column, table)
    return Mended(before, after, old, constants_of(after))


def mended_rig(told: Mapping[str, Any] | None, constants: Mapping[str, Any]) -> tuple[Rig, dict[str, Any]]:
    """Return the rig of a recording with constants mended, and the constants before.

    The measured uncertainty of a part that is mended goes with the old value. Raises ValueError that says
    what does not fit.
    """
    old = _rig_constants(told or {})
    kept = {
        key: value for key, value in old.items() if f"{key.removesuffix('_u_mohm')}_mohm" not in constants
    }
    for ways in (_LEADS, _LEADS[::-1]):
        if ways[0] & constants.keys():
            kept = {key: value for key, value in kept.items() if key not in ways[1]}
    return read_rig({**kept, **constants}), old


def _rig_constants(told: Mapping[str, Any]) -> dict[str, Any]:
    """Return the constants of a recorded rig; of older recordings its parts as if they were measured."""
    if told.get("constants"):
        return dict(told["constants"])
    constants: dict[str, Any] = {}
    for part in told.get("parts", []):
        name = str(part["name"]).partition(",")[0]
        constants |= {f"{name}_mohm": part["ohm"] * 1e3, f"{name}_u_mohm": part["u_ohm"] * 1e3}
    return {**constants, "voltage_sensed_at": told.get("sensed_at", "pack")}
