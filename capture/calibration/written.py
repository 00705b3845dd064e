"""The calibrations of a logger as a person writes them in the bench file.

    [loggers.bench]
    name = "virtual pole saw, heron"        # who the logger says it is; else its table is named with --logger

    [loggers.bench.channels.current_a]
    kind = "gain"                           # reading = scale x what the logger gave + offset
    scale = 0.9874
    offset = 0.012
    u_scale = 0.004
    u_offset = 0.01
    date = 2026-05-30
    reference = "clamp meter, 1 %"

    [loggers.bench.rig]
    shunt_mohm = 0.5
    lead_awg = 10
    lead_length_m = 0.8                     # each way
    voltage_sensed_at = "pack"

Nothing unknown is passed over here: a mistyped constant would spoil every figure in silence.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from capture.calibration.channel import Calibration
from capture.calibration.laws import Law, Line, Thermistor
from capture.calibration.leads import Resistor, Rig, awg_mm2, copper_ohm
from capture.calibration.logger import CalibratedLogger

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

Table = dict[str, Any]
_COMMON: Final = frozenset(
    {"kind", "u_scale", "u_gain_percent", "u_offset", "correlation", "date", "reference", "becomes"}
)
_RIG_KEYS: Final = frozenset(
    {"shunt_mohm", "fuse_mohm", "adapter_mohm", "lead_awg", "lead_mm2", "lead_length_m",
     "lead_temperature_degc", "voltage_sensed_at", "u_percent"}
)  # fmt: skip
#: What is not measured of a rig is known to a tenth: tolerances, temperature, contacts. Common practice, no
#: source.
_RIG_U_PERCENT: Final = 10.0
_STEINHART_HART: Final = 3


def read_logger(name: str, table: Table) -> CalibratedLogger:
    """Return the logger that a table describes; raise ValueError that names the key and what is wrong."""
    _only(table, {"name", "channels", "rig"})
    channels = table.get("channels", {})
    if not isinstance(channels, dict) or not all(isinstance(entry, dict) for entry in channels.values()):
        raise ValueError("channels is no table of tables")
    calibrations = {
        column: _within(f"channels.{column}", _calibration, column, entry)
        for column, entry in channels.items()
    }
    rig = table.get("rig")
    return CalibratedLogger(
        str(table.get("name", name)),
        calibrations,
        None if rig is None else _within("rig", _rig, rig),
    )


def _within(where: str, read: Callable[..., Any], *given: Any) -> Any:
    try:
        return read(*given)
    except ValueError as error:
        raise ValueError(f"{where}.{error}") from error


def _calibration(column: str, table: Table) -> Calibration:
    kind = table.get("kind", "gain")
    if kind not in _KINDS:
        raise ValueError(f"kind {kind!r} is none of {', '.join(_KINDS)}")
    known, law_of, becomes = _KINDS[kind]
    _only(table, _COMMON | known)
    law = law_of(column, table)
    u_scale = _number(table, "u_scale", least=0.0)
    if "u_gain_percent" in table:
        if u_scale is not None:
            raise ValueError("u_gain_percent and u_scale say the same: leave one out")
        percent = _number(table, "u_gain_percent", least=0.0) or 0.0
        u_scale = abs(law.scale) * percent / 100 if isinstance(law, Line) else None
    u_offset = _number(table, "u_offset", least=0.0)
    correlation = _number(table, "correlation") or 0.0
    if not -1 <= correlation <= 1:
        raise ValueError("correlation does not lie between -1 and 1")
    constants = {key: table[key] for key in sorted(known) if key in table and key not in {"scale", "offset"}}
    return Calibration(
        column,
        law,
        kind,
        str(table.get("becomes", becomes(column))),
        u_scale,
        u_offset,
        correlation,
        None if "date" not in table else str(table["date"]),
        None if "reference" not in table else str(table["reference"]),
        constants,
    )


def _gain(_column: str, table: Table) -> Line:
    scale = _number(table, "scale")
    if scale == 0:
        raise ValueError("scale is 0: every reading would be the same")
    return Line(1.0 if scale is None else scale, _number(table, "offset") or 0.0)


def _shunt(column: str, table: Table) -> Line:
    shunt_mohm, assumed_mohm = _needed(table, "shunt_mohm"), _number(table, "assumed_mohm", above=0.0)
    if column.endswith("_v"):
        return Line(1e3 / shunt_mohm, _number(table, "offset") or 0.0)
    if assumed_mohm is None:
        raise ValueError("assumed_mohm is missing: the shunt with which the logger computes its current")
    return Line(assumed_mohm / shunt_mohm, _number(table, "offset") or 0.0)


def _divider(_column: str, table: Table) -> Line:
    top, bottom = _needed(table, "r_top_ohm"), _needed(table, "r_bottom_ohm")
    return Line((top + bottom) / bottom, _number(table, "offset") or 0.0)


def _load_cell(_column: str, table: Table) -> Line:
    scale = _gain("", {key: table[key] for key in ("scale",) if key in table}).scale
    arm_m = _number(table, "lever_arm_m", above=0.0)
    if arm_m is not None:
        scale *= arm_m * math.cos(math.radians(_number(table, "lever_angle_deg") or 0.0))
    return Line(scale, -scale * (_number(table, "tare") or 0.0))


def _tachometer(column: str, table: Table) -> Line:
    pulses, gear = _number(table, "pulses_per_rev", above=0.0), _number(table, "gear_ratio", above=0.0)
    per_second = 60.0 if column.endswith("_hz") else 1.0
    return Line(per_second / (pulses or 1.0) / (gear or 1.0))


def _thermistor(_column: str, table: Table) -> Thermistor:
    pull_up = _number(table, "pull_up_ohm", above=0.0)
    given = table.get("steinhart_hart")
    if given is None:
        return Thermistor.of_beta(_needed(table, "beta_k"), _needed(table, "r25_ohm"), pull_up)
    if not isinstance(given, list) or len(given) != _STEINHART_HART:
        raise ValueError("steinhart_hart is no list of three numbers")
    a, b, c = (_finite(number, "steinhart_hart") for number in given)
    return Thermistor(a, b, c, pull_up)


def _same(column: str) -> str:
    del column
    return ""


def _ending(quantity_ending: str) -> Callable[[str], str]:
    def becomes(column: str) -> str:
        return "" if column.endswith(quantity_ending) else column.rpartition("_")[0] + quantity_ending

    return becomes


#: Kind of calibration: the constants it takes, the law that they make, and the column that comes of it.
_KINDS: Final[Mapping[str, tuple[frozenset[str], Callable[[str, Table], Law], Callable[[str], str]]]] = {
    "gain": (frozenset({"scale", "offset"}), _gain, _same),
    "shunt": (frozenset({"shunt_mohm", "assumed_mohm", "offset"}), _shunt, _ending("_a")),
    "divider": (frozenset({"r_top_ohm", "r_bottom_ohm", "offset"}), _divider, _same),
    "load_cell": (frozenset({"scale", "tare", "lever_arm_m", "lever_angle_deg"}), _load_cell, _same),
    "tachometer": (frozenset({"pulses_per_rev", "gear_ratio"}), _tachometer, _ending("_rpm")),
    "thermistor": (
        frozenset({"beta_k", "r25_ohm", "steinhart_hart", "pull_up_ohm"}),
        _thermistor,
        _ending("_degc"),
    ),
}


def _rig(table: Table) -> Rig:
    if not isinstance(table, dict):
        raise ValueError("is no table")  # noqa: TRY004  one error for all that is wrong
    _only(table, _RIG_KEYS)
    percent = _number(table, "u_percent", least=0.0)
    share = (_RIG_U_PERCENT if percent is None else percent) / 100
    parts = [
        Resistor(name, ohm * 1e-3, ohm * 1e-3 * share)
        for name in ("shunt", "fuse", "adapter")
        if (ohm := _number(table, f"{name}_mohm", least=0.0)) is not None
    ]
    length_m = _number(table, "lead_length_m", above=0.0)
    if length_m is not None:
        gauge, section_mm2 = _number(table, "lead_awg"), _number(table, "lead_mm2", above=0.0)
        if (gauge is None) == (section_mm2 is None):
            raise ValueError("lead_length_m needs lead_awg or lead_mm2, and not both")
        section_mm2 = section_mm2 or awg_mm2(gauge or 0.0)
        degc = _number(table, "lead_temperature_degc")
        ohm = copper_ohm(section_mm2, 2 * length_m, 20.0 if degc is None else degc)
        parts.append(Resistor("leads, to and fro", ohm, ohm * share))
    sensed_at = table.get("voltage_sensed_at", "pack")
    if sensed_at not in {"pack", "tool"}:
        raise ValueError('voltage_sensed_at is neither "pack" nor "tool"')
    return Rig(tuple(parts), sensed_at)


def _only(table: Table, known: frozenset[str] | set[str]) -> None:
    unknown = sorted(set(table) - known)
    if unknown:
        raise ValueError(f"{unknown[0]} is not known there (known: {', '.join(sorted(known))})")


def _needed(table: Table, key: str) -> float:
    value = _number(table, key, above=0.0)
    if value is None:
        raise ValueError(f"{key} is missing")
    return value


def _number(
    table: Table, key: str, *, above: float | None = None, least: float | None = None
) -> float | None:
    if key not in table:
        return None
    value = _finite(table[key], key)
    if above is not None and value <= above:
        raise ValueError(f"{key} must be above {above:g}")
    if least is not None and value < least:
        raise ValueError(f"{key} must not be below {least:g}")
    return value


def _finite(value: object, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{key} is no number")
    return float(value)
