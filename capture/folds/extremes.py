"""Extremes of single samples: the highest current and power, the lowest voltage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock


@dataclass(frozen=True, slots=True)
class Extreme:
    """One extreme reading and the tick at which it came first."""

    value: float
    tick_us: int


@dataclass(frozen=True, slots=True)
class Extremes:
    """The extremes so far; None for what never had a reading."""

    peak_current: Extreme | None = None
    peak_power: Extreme | None = None
    minimum_voltage: Extreme | None = None


def update(state: Extremes, block: SampleBlock) -> Extremes:
    """Return the state after `block`, which needs the columns current_a and voltage_v."""
    current = block.columns["current_a"].astype(np.float64)
    voltage = block.columns["voltage_v"].astype(np.float64)
    return Extremes(
        _higher(state.peak_current, current, block),
        _higher(state.peak_power, current * voltage, block),
        _lower(state.minimum_voltage, voltage, block),
    )


def _higher(known: Extreme | None, readings: npt.NDArray[np.float64], block: SampleBlock) -> Extreme | None:
    if np.isnan(readings).all():
        return known
    at = int(np.nanargmax(readings))
    found = Extreme(float(readings[at]), int(block.ticks_us[at]))
    return found if known is None or found.value > known.value else known


def _lower(known: Extreme | None, readings: npt.NDArray[np.float64], block: SampleBlock) -> Extreme | None:
    if np.isnan(readings).all():
        return known
    at = int(np.nanargmin(readings))
    found = Extreme(float(readings[at]), int(block.ticks_us[at]))
    return found if known is None or found.value < known.value else known
