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
    fuse_mohm = 1.31
    fuse_u_mohm = 0.02                      # where it was measured; else u_percent (10) of it
    lead_awg = 10
    lead_length_m = 0.8                     # each way
    voltage_sensed_at = "pack"

Nothing unknown is passed over here: a mistyped constant would spoil every figure in silence.
"""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from capture.calibration.keys import Table, number, only
from capture.calibration.kinds import read_calibration
from capture.calibration.leads import Resistor, Rig, awg_mm2, copper_ohm
from capture.calibration.logger import CalibratedLogger

if TYPE_CHECKING:
    from collections.abc import Callable

#: What lies in the way of the current; leads are given by gauge and length, or as they were measured.
RIG_PARTS: Final = ("shunt", "fuse", "adapter", "leads")
_RIG_KEYS: Final = frozenset(
    {
        "lead_awg",
        "lead_mm2",
        "lead_length_m",
        "lead_temperature_degc",
        "voltage_sensed_at",
        "u_percent",
        "date",
        "reference",
    }
    | {f"{part}{ending}" for part in RIG_PARTS for ending in ("_mohm", "_u_mohm")}
)
#: What is not measured of a rig is known to a tenth: tolerances, temperature, contacts. Common practice, no
#: source.
_RIG_U_PERCENT: Final = 10.0
_THICKEST_AWG: Final = -3
_THINNEST_AWG: Final = 40
_COLDEST_DEGC: Final = -60.0


def read_logger(name: str, table: Table) -> CalibratedLogger:
    """Return the logger that a table describes; raise ValueError that names the key and what is wrong."""
    only(table, {"name", "channels", "rig"})
    channels = table.get("channels", {})
    if not isinstance(channels, dict) or not all(isinstance(entry, dict) for entry in channels.values()):
        raise ValueError("channels is no table of tables")
    calibrations = {
        column: _within(f"channels.{column}", read_calibration, column, entry)
        for column, entry in channels.items()
    }
    rig = table.get("rig")
    return CalibratedLogger(
        str(table.get("name", name)),
        calibrations,
        None if rig is None else _within("rig", read_rig, rig),
    )


def _within(where: str, read: Callable[..., Any], *given: Any) -> Any:
    try:
        return read(*given)
    except ValueError as error:
        raise ValueError(f"{where}.{error}") from error


def read_rig(table: Table) -> Rig:
    """Return the rig that a table describes; raise ValueError that names the key and what is wrong."""
    if not isinstance(table, dict):
        raise ValueError("is no table")  # noqa: TRY004  one error for all that is wrong
    only(table, _RIG_KEYS)
    percent = number(table, "u_percent", least=0.0)
    share = (_RIG_U_PERCENT if percent is None else percent) / 100
    parts = [part for name in RIG_PARTS if (part := _part(table, name, share)) is not None]
    leads = _leads(table, share)
    if leads is not None:
        if "leads_mohm" in table:
            raise ValueError("lead_length_m and leads_mohm say the same: leave one out")
        parts.append(leads)
    sensed_at = table.get("voltage_sensed_at", "pack")
    if sensed_at not in {"pack", "tool"}:
        raise ValueError('voltage_sensed_at is neither "pack" nor "tool"')
    date, reference = (None if key not in table else str(table[key]) for key in ("date", "reference"))
    constants = {key: value for key, value in table.items() if key not in {"date", "reference"}}
    return Rig(tuple(parts), sensed_at, date, reference, constants)


def _leads(table: Table, share: float) -> Resistor | None:
    """Return the leads to and fro by their gauge or section, and their length each way."""
    length_m = number(table, "lead_length_m", above=0.0)
    if length_m is None:
        return None
    gauge, section_mm2 = number(table, "lead_awg"), number(table, "lead_mm2", above=0.0)
    if (gauge is None) == (section_mm2 is None):
        raise ValueError("lead_length_m needs lead_awg or lead_mm2, and not both")
    if gauge is not None and not _THICKEST_AWG <= gauge <= _THINNEST_AWG:
        raise ValueError(f"lead_awg does not lie between {_THICKEST_AWG} (4/0) and {_THINNEST_AWG}")
    degc = number(table, "lead_temperature_degc", least=_COLDEST_DEGC)
    section_mm2 = section_mm2 or awg_mm2(gauge or 0.0)
    ohm = copper_ohm(section_mm2, 2 * length_m, 20.0 if degc is None else degc)
    if not isfinite(ohm):
        raise ValueError("lead_mm2 is too small")
    return Resistor("leads, to and fro", ohm, ohm * share)


def _part(table: Table, name: str, share: float) -> Resistor | None:
    """Return one part of the rig in ohm, with its own uncertainty where it was measured."""
    mohm, u_mohm = number(table, f"{name}_mohm", least=0.0), number(table, f"{name}_u_mohm", least=0.0)
    if mohm is None:
        if u_mohm is not None:
            raise ValueError(f"{name}_u_mohm needs {name}_mohm")
        return None
    return Resistor(name, mohm * 1e-3, (mohm * share if u_mohm is None else u_mohm) * 1e-3)
