"""Round numbers for the axes of a chart, placed so that every tick falls on a row. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

_ROUND: Final = (1.0, 2.0, 2.5, 5.0, 10.0, 20.0)
_MOST_TICKS: Final = 8
_ROWS_PER_LABEL: Final = 2
_WIDEST_LABEL: Final = 6
#: Fractions of a step below this are the noise of division.
_NOISE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Axis:
    """A vertical axis: `low`, a multiple of `step`, in the last of its rows, a tick every `stride` rows."""

    low: float
    step: float
    stride: int
    rows: int

    @property
    def high(self) -> float:
        """Return the value of the first row."""
        return self.low + self.step * (self.rows - 1) / self.stride

    def labels(self) -> list[tuple[int, str]]:
        """Return row and text of each label: every tick, or the even ones where ticks stand too close."""
        lowest = round(self.low / self.step)
        every = math.ceil(_ROWS_PER_LABEL / self.stride)
        ticks = range(lowest, lowest + (self.rows - 1) // self.stride + 1)
        return [
            (self.rows - 1 - (tick - lowest) * self.stride, _label(tick * self.step, every * self.step))
            for tick in ticks
            if tick % every == 0
        ]


def _label(value: float, spacing: float) -> str:
    """Return a value in as many decimals as the spacing of the labels needs."""
    decimals = max(0, -math.floor(math.log10(spacing) + _NOISE))
    if round(spacing * 10**decimals, 6) % 1:
        # 2.5 needs a decimal more than its power of ten tells
        decimals += 1
    text = f"{value:.{decimals}f}"
    return text if len(text) <= _WIDEST_LABEL else f"{value:.0e}"


def round_step(least: float) -> float:
    """Return the smallest 1, 2, 2.5 or 5 times a power of ten that is not below `least` (positive)."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in _ROUND if factor * power >= least * (1 - _NOISE))


def axis_for(low: float, high: float, *, rows: int, least_span: float, from_zero: bool) -> Axis:
    """Return the tightest axis with round ticks that holds `low` to `high` and spans `least_span` or more.

    It has three rows at least: with two, none holds values on both sides of zero.
    """
    if from_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    spare = least_span - (high - low)
    if spare > 0.0:
        # a flat trace stays in the middle, unless it stands on zero
        low, high = (low, high + spare) if from_zero and low == 0.0 else (low - spare / 2, high + spare / 2)
    strides = range(max(1, math.ceil((rows - 1) / _MOST_TICKS)), max(2, (rows + 1) // 2))
    return min((_axis(low, high, rows, stride) for stride in strides), key=lambda axis: axis.high - axis.low)


def _axis(low: float, high: float, rows: int, stride: int) -> Axis:
    """Return the axis with a tick every `stride` rows."""
    step = round_step((high - low) * stride / (rows - 1))
    while True:
        axis = Axis(math.floor(low / step + _NOISE) * step, step, stride, rows)
        if axis.high >= high - step * _NOISE:
            return axis
        step = round_step(step * 1.01)
