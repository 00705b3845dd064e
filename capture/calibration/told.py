"""With which calibrations a recording was made, as its document tells it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


def calibrations_of(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the calibrated channels in the order of the channel table, ready for JSON.

    Each has its column, kind, law (scale and offset, or the three numbers of a thermistor), constants,
    standard uncertainties (None: not known), date and reference, and `mended`: what a recalibration put in
    the place of what, the latest last.
    """
    entries = {entry["column"]: entry for entry in document.get("calibrations") or []}
    return [
        {
            "column": column,
            "kind": entries[column].get("kind", "gain"),
            "scale": None if entries[column].get("thermistor") else entries[column].get("scale"),
            "offset": None if entries[column].get("thermistor") else entries[column].get("offset"),
            "thermistor": entries[column].get("thermistor"),
            "constants": dict(entries[column].get("constants") or {}),
            "u_scale": entries[column].get("u_scale"),
            "u_offset": entries[column].get("u_offset"),
            "date": entries[column].get("date"),
            "reference": entries[column].get("reference"),
            "mended": [
                {key: mended[key] for key in ("from", "to", "of")}
                for mended in document.get("recalibrated") or []
                if mended["column"] == column
            ],
        }
        for column in _columns(document)
        if column in entries
    ]


def not_calibrated(document: Mapping[str, Any]) -> list[str]:
    """Return the columns that nobody calibrated, in the order of the channel table."""
    entries = {entry["column"] for entry in document.get("calibrations") or []}
    return [column for column in _columns(document) if column not in entries]


def _columns(document: Mapping[str, Any]) -> list[str]:
    return [channel["column"] for channel in document.get("channels") or []]
