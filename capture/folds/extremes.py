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
        _further(state.peak_current, current, block, sign=1),
        _further(state.peak_power, current * voltage, block, sign=1),
        _further(state.minimum_voltage, voltage, block, sign=-1),
    )


def _further(
    known: Extreme | None, readings: npt.NDArray[np.float64], block: SampleBlock, *, sign: int
) -> Extreme | None:
    """Return the highest (sign 1) or lowest (sign -1) of the known and the new; the first of equals."""
    if np.isnan(readings).all():
        return known
    at = int(np.nanargmax(sign * readings))
    found = Extreme(float(readings[at]), int(block.ticks_us[at]))
    return found if known is None or sign * found.value > sign * known.value else known
