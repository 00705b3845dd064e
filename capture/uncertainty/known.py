"""What a recording says of its channels' uncertainties, filled up with what is assumed of hobby sensors."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from capture.uncertainty.channels import HOBBY_DIVIDER, HOBBY_SHUNT, ChannelUncertainty

if TYPE_CHECKING:
    from collections.abc import Mapping

_ASSUMED: Final = {"current_a": HOBBY_SHUNT, "voltage_v": HOBBY_DIVIDER}


def channel_uncertainties(document: Mapping[str, Any]) -> dict[str, ChannelUncertainty]:
    """Return what is known of each column of a recording's document that anything is known of.

    Its calibrations count (`calibrations`: column, scale, offset, u_scale, u_offset, correlation), else what
    is assumed of a hobby logger; the resolution is one count of the channel.
    """
    known: dict[str, ChannelUncertainty] = {
        entry["column"]: ChannelUncertainty(
            gain=entry["u_scale"] / abs(entry["scale"]),
            offset=entry["u_offset"],
            correlation=entry.get("correlation", 0.0),
            source=f"calibrated {entry.get('date', '')} {entry.get('reference', '')}".strip(),
        )
        for entry in document.get("calibrations", [])
        if entry.get("u_scale") is not None and entry.get("u_offset") is not None
    }
    return {
        channel["column"]: replace(
            known.get(channel["column"], _ASSUMED[channel["column"]]), resolution=abs(float(channel["scale"]))
        )
        for channel in document["channels"]
        if channel["column"] in known or channel["column"] in _ASSUMED
    }
