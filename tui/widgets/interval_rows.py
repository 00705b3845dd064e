"""Figures below one another with their intervals on one scale, drawn as characters. Pure.

A dot is the value, the line to both sides its expanded uncertainty (k = 2). Where two lines do not reach over
each other's dot, the figures differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tui.formatting import COVERAGE, MISSING, number
from tui.widgets.axis_ticks import round_step

if TYPE_CHECKING:
    from collections.abc import Sequence

DOT: Final = "\N{BLACK CIRCLE}"
_LINE: Final = "\N{BOX DRAWINGS LIGHT HORIZONTAL}"
_LEFT: Final = "\N{BOX DRAWINGS LIGHT VERTICAL AND RIGHT}"
_RIGHT: Final = "\N{BOX DRAWINGS LIGHT VERTICAL AND LEFT}"
_TICK: Final = "\N{BOX DRAWINGS LIGHT UP AND HORIZONTAL}"
_SPACE: Final = 2
#: Below so many columns a picture shows nothing; the words stay.
LEAST_PLOT: Final = 16
_COLUMNS_PER_TICK: Final = 12


@dataclass(frozen=True, slots=True)
class Interval:
    """One figure: its name, value and standard uncertainty (None where there is none), and it in words."""

    name: str
    value: float | None
    u: float | None
    words: str

    @property
    def ends(self) -> tuple[float, float] | None:
        """The ends of its interval; both are the value where no uncertainty is known."""
        if self.value is None:
            return None
        reach = COVERAGE * (self.u or 0.0)
        return self.value - reach, self.value + reach


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float
    columns: int

    def column(self, value: float) -> int:
        share = (value - self.low) / (self.high - self.low)
        return min(max(round(share * (self.columns - 1)), 0), self.columns - 1)


def interval_lines(
    rows: Sequence[Interval], width: int, *, unit: str = "", from_zero: bool = False
) -> list[str]:
    """Return a line for each figure and one with the scale; only words where there is no room for more."""
    names = max((len(row.name) for row in rows), default=0)
    words = max((len(row.words) for row in rows), default=0)
    texts = [f"{row.name:<{names}}  {row.words:>{words}}" for row in rows]
    columns = width - names - words - 2 * _SPACE
    scale = _scale(rows, columns, from_zero=from_zero)
    if scale is None:
        return texts
    lines = [f"{text}{' ' * _SPACE}{_drawn(row, scale)}" for text, row in zip(texts, rows, strict=True)]
    margin = " " * (names + words + 2 * _SPACE)
    return [*lines, *(margin + line for line in _axis(scale, unit))]


def _scale(rows: Sequence[Interval], columns: int, *, from_zero: bool) -> _Scale | None:
    """Return what holds all intervals with a little air; None without any, or without room."""
    ends = [row.ends for row in rows if row.ends is not None]
    if columns < LEAST_PLOT or not ends:
        return None
    low, high = min(low for low, _ in ends), max(high for _, high in ends)
    if from_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    air = 0.05 * (high - low) or 0.05 * abs(high) or 1.0
    return _Scale(low if from_zero and low == 0.0 else low - air, high + air, columns)


def _drawn(row: Interval, scale: _Scale) -> str:
    if row.value is None or row.ends is None:
        return MISSING
    signs = [" "] * scale.columns
    left, right = (scale.column(end) for end in row.ends)
    if right > left:
        signs[left : right + 1] = [_LEFT, *[_LINE] * (right - left - 1), _RIGHT]
    signs[scale.column(row.value)] = DOT
    return "".join(signs).rstrip()


def _axis(scale: _Scale, unit: str) -> list[str]:
    """Return the scale's line with its ticks, and their numbers below, the unit behind the last."""
    span = scale.high - scale.low
    step = round_step(span / max(scale.columns // _COLUMNS_PER_TICK, 1))
    first = -int(-scale.low // step)
    ticks = [at * step for at in range(first, int(scale.high // step) + 1)]
    line, numbers = [_LINE] * scale.columns, ""
    for at, tick in enumerate(ticks):
        column = scale.column(tick)
        line[column] = _TICK
        text = number(tick, _decimals(step)) + (f" {unit}" if at == len(ticks) - 1 and unit else "")
        start = min(column, scale.columns - len(text))
        if start > len(numbers):
            numbers += " " * (start - len(numbers)) + text
        elif not numbers:
            numbers = text
    return ["".join(line), numbers]


def _decimals(step: float) -> int:
    """Return with how many decimals multiples of a round step are written."""
    return next((places for places in range(7) if abs(round(step, places) - step) < 1e-9 * step), 6)
