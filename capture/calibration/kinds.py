"""The kinds of calibration: which constants each takes, the law that they make, the column they lead to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capture.calibration.channel import Calibration
from capture.calibration.keys import Table, finite, needed, number, only
from capture.calibration.laws import Law, Line, Thermistor

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

_COMMON: Final = frozenset(
    {"kind", "u_scale", "u_gain_percent", "u_offset", "correlation", "date", "reference", "becomes"}
)
_STEINHART_HART: Final = 3
_RIGHT_ANGLE_DEG: Final = 90.0
#: A load cell given in one of these is one in N once it is calibrated.
_NO_FORCE: Final = ("count", "v", "percent")


@dataclass(frozen=True, slots=True)
class Kind:
    """`constants` by name, with what holds where one is not given (None: nothing does)."""

    constants: Mapping[str, float | None]
    law: Callable[[str, Table], Law]
    becomes: Callable[[str, Table], str]


def read_calibration(column: str, table: Table) -> Calibration:
    """Return the calibration of a column that a table describes; raise ValueError that names the key."""
    kind = table.get("kind", "gain")
    if not isinstance(kind, str) or kind not in KINDS:
        raise ValueError(f"kind {kind!r} is none of {', '.join(KINDS)}")
    known = KINDS[kind]
    only(table, _COMMON | known.constants.keys())
    law = known.law(column, table)
    if not _is_finite(law):
        raise ValueError("its constants make no law: they are too large or too small")
    u_scale = number(table, "u_scale", least=0.0)
    if "u_gain_percent" in table:
        if u_scale is not None:
            raise ValueError("u_gain_percent and u_scale say the same: leave one out")
        percent = number(table, "u_gain_percent", least=0.0) or 0.0
        u_scale = abs(law.scale) * percent / 100 if isinstance(law, Line) else None
    correlation = number(table, "correlation") or 0.0
    if not -1 <= correlation <= 1:
        raise ValueError("correlation does not lie between -1 and 1")
    line_alone = {"scale", "offset"} if kind == "gain" else {"offset"}
    return Calibration(
        column,
        law,
        kind,
        str(table.get("becomes", known.becomes(column, table))),
        u_scale,
        number(table, "u_offset", least=0.0),
        correlation,
        None if "date" not in table else str(table["date"]),
        None if "reference" not in table else str(table["reference"]),
        {key: table[key] for key in sorted(known.constants) if key in table and key not in line_alone},
    )


def constants_of(calibration: Calibration) -> dict[str, Any]:
    """Return the constants of a calibration as a table would give them, those that hold by default too."""
    kind, law = KINDS[calibration.kind], calibration.law
    found = {key: value for key, value in kind.constants.items() if value is not None}
    found |= dict(calibration.constants)
    if not isinstance(law, Line):
        return found
    if "offset" in kind.constants:
        found["offset"] = law.offset
    if calibration.kind == "gain":
        found["scale"] = law.scale
    elif calibration.kind == "load_cell" and "scale" not in calibration.constants:
        # recordings before this was kept tell it by the whole line alone
        found["scale"] = law.scale / _arm_m(found)
    return found


def _is_finite(law: Law) -> bool:
    """Return whether all numbers of a law are finite, and it has a slope."""
    if isinstance(law, Line):
        return math.isfinite(law.scale) and math.isfinite(law.offset) and law.scale != 0
    assert isinstance(law, Thermistor)  # noqa: S101  there are two laws
    return all(math.isfinite(value) for value in (law.a, law.b, law.c))


def _gain(_column: str, table: Table) -> Line:
    scale = number(table, "scale")
    if scale == 0:
        raise ValueError("scale is 0: every reading would be the same")
    return Line(1.0 if scale is None else scale, number(table, "offset") or 0.0)


def _shunt(column: str, table: Table) -> Line:
    shunt_mohm, assumed_mohm = needed(table, "shunt_mohm"), number(table, "assumed_mohm", above=0.0)
    if column.endswith("_v"):
        return Line(1e3 / shunt_mohm, number(table, "offset") or 0.0)
    if assumed_mohm is None:
        raise ValueError("assumed_mohm is missing: the shunt with which the logger computes its current")
    return Line(assumed_mohm / shunt_mohm, number(table, "offset") or 0.0)


def _divider(_column: str, table: Table) -> Line:
    top, bottom = needed(table, "r_top_ohm"), needed(table, "r_bottom_ohm")
    return Line((top + bottom) / bottom, number(table, "offset") or 0.0)


def _load_cell(_column: str, table: Table) -> Line:
    scale = _gain("", {key: table[key] for key in ("scale",) if key in table}).scale * _arm_m(table)
    return Line(scale, -scale * (number(table, "tare") or 0.0))


def _arm_m(table: Table) -> float:
    """Return what makes a torque of a force, in m: the lever arm times the cosine of its angle; else 1."""
    arm_m = number(table, "lever_arm_m", above=0.0)
    degrees = number(table, "lever_angle_deg") or 0.0
    if not abs(degrees) < _RIGHT_ANGLE_DEG:
        raise ValueError("lever_angle_deg does not lie between -90 and 90")
    if arm_m is None:
        if degrees:
            raise ValueError("lever_angle_deg needs lever_arm_m")
        return 1.0
    return arm_m * math.cos(math.radians(degrees))


def _tachometer(column: str, table: Table) -> Line:
    pulses, gear = number(table, "pulses_per_rev", above=0.0), number(table, "gear_ratio", above=0.0)
    per_second = 60.0 if column.endswith("_hz") else 1.0
    return Line(per_second / (pulses or 1.0) / (gear or 1.0))


def _thermistor(column: str, table: Table) -> Thermistor:
    pull_up, supply = number(table, "pull_up_ohm", above=0.0), number(table, "supply", above=0.0)
    if pull_up is not None and column.endswith("_ohm"):
        raise ValueError("pull_up_ohm belongs to a divider, and this channel is in ohm: leave it out")
    if supply is not None and pull_up is None:
        raise ValueError("supply needs pull_up_ohm")
    given = table.get("steinhart_hart")
    if given is None:
        beta_k, r25_ohm = needed(table, "beta_k"), needed(table, "r25_ohm")
        return Thermistor.of_beta(beta_k, r25_ohm, pull_up, 1.0 if supply is None else supply)
    if "beta_k" in table or "r25_ohm" in table:
        raise ValueError("steinhart_hart and beta_k with r25_ohm say the same: leave one out")
    if not isinstance(given, list) or len(given) != _STEINHART_HART:
        raise ValueError("steinhart_hart is no list of three numbers")
    a, b, c = (finite(value, "steinhart_hart") for value in given)
    if b == 0 and c == 0:
        raise ValueError("steinhart_hart has no slope: b and c are 0")
    return Thermistor(a, b, c, pull_up, 1.0 if supply is None else supply)


def _same(_column: str, _table: Table) -> str:
    return ""


def _ending(quantity_ending: str) -> Callable[[str, Table], str]:
    def becomes(column: str, _table: Table) -> str:
        return "" if column.endswith(quantity_ending) else column.rpartition("_")[0] + quantity_ending

    return becomes


def _force_or_torque(column: str, table: Table) -> str:
    """Return the column in N, or in N.m with a lever arm: what was a force is a torque then."""
    quantity, _, unit = column.rpartition("_")
    if "lever_arm_m" in table:
        return "" if unit == "nm" else f"{quantity.replace('force', 'torque')}_nm"
    return f"{quantity}_n" if unit in _NO_FORCE and quantity else ""


KINDS: Final[Mapping[str, Kind]] = {
    "gain": Kind({"scale": 1.0, "offset": 0.0}, _gain, _same),
    "shunt": Kind({"shunt_mohm": None, "assumed_mohm": None, "offset": 0.0}, _shunt, _ending("_a")),
    "divider": Kind({"r_top_ohm": None, "r_bottom_ohm": None, "offset": 0.0}, _divider, _same),
    "load_cell": Kind(
        {"scale": 1.0, "tare": 0.0, "lever_arm_m": None, "lever_angle_deg": None},
        _load_cell,
        _force_or_torque,
    ),
    "tachometer": Kind({"pulses_per_rev": 1.0, "gear_ratio": 1.0}, _tachometer, _ending("_rpm")),
    "thermistor": Kind(
        dict.fromkeys(("beta_k", "r25_ohm", "steinhart_hart", "pull_up_ohm", "supply")),
        _thermistor,
        _ending("_degc"),
    ),
}
#: Every key that the table of a channel may have.
ALL_KEYS: Final = frozenset(_COMMON.union(*(kind.constants for kind in KINDS.values())))
