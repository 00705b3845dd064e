"""What a recording says of its channels' uncertainties, filled up with what is assumed of hobby sensors."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from capture.uncertainty.channels import (
    HOBBY_DIVIDER,
    HOBBY_SHUNT,
    HOBBY_TACHOMETER,
    HOBBY_THERMOMETER,
    ChannelUncertainty,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Whole column names and what is assumed of them. Forces, torques and pressures are not among them: nobody
#: knows the factor of a load cell that was not calibrated.
_ASSUMED: Final = (
    (re.compile(r"current_a"), HOBBY_SHUNT),
    (re.compile(r"voltage_v|group_[1-9][0-9]*_v"), HOBBY_DIVIDER),
    (re.compile(r"speed_rpm"), HOBBY_TACHOMETER),
    (re.compile(r"\w*temperature_degc"), HOBBY_THERMOMETER),
)


def channel_uncertainties(
    document: Mapping[str, Any], noise: Mapping[str, float | None] | None = None
) -> dict[str, ChannelUncertainty]:
    """Return what is known of each column of a recording's document that anything is known of.

    Its calibrations count (`calibrations`: column, scale, offset, u_scale, u_offset, correlation), else what
    is assumed of a hobby logger; the resolution is one count of the channel. `noise` is the standard
    deviation of one reading by column, where the run tells it.
    """
    entries = {entry["column"]: entry for entry in document.get("calibrations") or []}
    told: dict[str, ChannelUncertainty] = {}
    for channel in document.get("channels", []):
        column = channel["column"]
        known = known_of(column, entries.get(column))
        if known is not None:
            told[column] = replace(
                known,
                noise=(noise or {}).get(column) or 0.0,
                resolution=_step(channel, entries.get(column, {})),
            )
    return told


def known_of(column: str, entry: Mapping[str, Any] | None) -> ChannelUncertainty | None:
    """Return what a calibration says of a column, else what is assumed of it; None where nothing is known."""
    if entry is None or (entry.get("u_scale") is None and entry.get("u_offset") is None):
        return assumed_of(column)
    return _calibrated(entry)


def _step(channel: Mapping[str, Any], calibration: Mapping[str, Any]) -> float:
    """Return one count of a channel in the unit of its column; 0 where it does not send counts.

    The channel table has it as the logger gave it, that of a text file as the column has it.
    """
    if channel.get("wire_type") == "f32":
        return 0.0
    step = abs(float(channel.get("scale") or 0.0))
    if channel.get("wire_type") == "text":
        return step
    of_line = abs(float(calibration.get("scale", 1.0)))
    return step * float(calibration.get("sensitivity", of_line))


def assumed_of(column: str) -> ChannelUncertainty | None:
    """Return what is assumed of a column that nobody calibrated; None where nothing can be."""
    return next((assumed for names, assumed in _ASSUMED if names.fullmatch(column)), None)


def _calibrated(entry: Mapping[str, Any]) -> ChannelUncertainty:
    """Return a calibration as errors about a reading of zero.

    A reading is x = s raw + o, so dx = raw ds + do = x (ds/s) + (do - (o/s) ds): the gain is ds/s, and what
    is left at x = 0 has the variance u_o^2 + (o/s)^2 u_s^2 - 2 r (o/s) u_s u_o. For a sensor that shows half
    its range at zero the two differ much (GUM 5.2.2). A zero alone says nothing of the scale, a gain alone
    nothing of the offset: what was not measured is assumed as without a calibration.
    """
    scale = float(entry["scale"])
    assumed = assumed_of(str(entry["column"])) or ChannelUncertainty(0.0, 0.0)
    measured_scale, measured_offset = entry.get("u_scale"), entry.get("u_offset")
    u_scale = assumed.gain * abs(scale) if measured_scale is None else float(measured_scale)
    u_offset = assumed.offset if measured_offset is None else float(measured_offset)
    shift = float(entry.get("offset") or 0.0) / scale
    given = float(entry.get("correlation") or 0.0)
    variance = u_offset**2 + (shift * u_scale) ** 2 - 2 * given * shift * u_scale * u_offset
    offset = math.sqrt(max(variance, 0.0))
    covariance = (given * u_scale * u_offset - shift * u_scale**2) / scale
    gain = u_scale / abs(scale)
    correlation = covariance / (gain * offset) if gain > 0 and offset > 0 else 0.0
    return ChannelUncertainty(
        gain=gain,
        offset=offset,
        correlation=min(max(correlation, -1.0), 1.0),
        source=" ".join(filter(None, ["calibrated", entry.get("date"), entry.get("reference")])),
    )
