"""Extremes of single samples: current, power and temperature at their highest, voltages at their lowest."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.blocks import Readings, SampleBlock

TEMPERATURE: Final = "pack_temperature_degc"
_GROUP: Final = re.compile(r"group_([1-9][0-9]*)_v")


@dataclass(frozen=True, slots=True)
class Extreme:
    """One extreme reading and the tick at which it came first."""

    value: float
    tick_us: int


@dataclass(frozen=True, slots=True)
class GroupExtreme:
    """The lowest voltage of one cell group; groups count from 1 at the negative end."""

    group: int
    value: float
    tick_us: int


@dataclass(frozen=True, slots=True)
class Extremes:
    """The extremes so far; None for what never had a reading. Power needs both factors in one sample."""

    peak_current: Extreme | None = None
    peak_power: Extreme | None = None
    minimum_voltage: Extreme | None = None
    peak_temperature: Extreme | None = None
    lowest_group: GroupExtreme | None = None


def update(state: Extremes, block: SampleBlock) -> Extremes:
    """Return the state after `block`, from whichever of the columns it has."""
    current, voltage = block.columns.get("current_a"), block.columns.get("voltage_v")
    power = None if current is None or voltage is None else current.astype(np.float64) * voltage
    return Extremes(
        _further(state.peak_current, current, block, sign=1),
        _further(state.peak_power, power, block, sign=1),
        _further(state.minimum_voltage, voltage, block, sign=-1),
        _further(state.peak_temperature, block.columns.get(TEMPERATURE), block, sign=1),
        _lowest_group(state.lowest_group, block),
    )


def _further(
    known: Extreme | None, readings: Readings | None, block: SampleBlock, *, sign: int
) -> Extreme | None:
    """Return the highest (sign 1) or lowest (sign -1) of the known and the new; the first of equals."""
    if readings is None or np.isnan(readings).all():
        return known
    at = int(np.nanargmax(readings) if sign > 0 else np.nanargmin(readings))
    found = Extreme(float(readings[at]), int(block.ticks_us[at]))
    return found if known is None or sign * found.value > sign * known.value else known


def _lowest_group(known: GroupExtreme | None, block: SampleBlock) -> GroupExtreme | None:
    """Return the lowest group voltage of the known and the new; of equals the earliest, then lowest group."""
    candidates = [] if known is None else [known]
    for group, column in group_columns(tuple(block.columns)):
        found = _further(None, block.columns[column], block, sign=-1)
        if found is not None:
            candidates.append(GroupExtreme(group, found.value, found.tick_us))
    return min(candidates, key=lambda one: (one.value, one.tick_us, one.group), default=None)


@cache
def group_columns(columns: Iterable[str]) -> tuple[tuple[int, str], ...]:
    """Return the columns that are group voltages, each with the number of its group, in that order."""
    matches = ((_GROUP.fullmatch(column), column) for column in columns)
    return tuple(sorted((int(match[1]), column) for match, column in matches if match))
