"""A chart as characters and what each of them is: panes above one another on one time axis. Pure.

The margin at the left holds the numbers with their unit. Below the last pane lies the time axis with its
labels in seconds before now. It is heavy under a cut and carries the cut's number, has a cross where readings
are missing, and is dashed where they are provisional.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from tui.widgets.axis_ticks import Axis, axis_for, round_step
from tui.widgets.envelope import Cells, DotStyle, Envelope, Floats, Mask, cells, dot_mask, envelope

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_MARGIN: Final = 9  # columns: a number, its unit, the axis
GAP_SIGN: Final = "\N{BOX DRAWINGS LIGHT DIAGONAL CROSS}"
PROVISIONAL_SIGN: Final = "\N{BOX DRAWINGS LIGHT TRIPLE DASH HORIZONTAL}"
CUT_SIGN: Final = "\N{BOX DRAWINGS HEAVY HORIZONTAL}"
MARK_SIGN: Final = "\N{BLACK UP-POINTING TRIANGLE}"
_AXIS_ROWS: Final = 2
_LEAST_WIDTH: Final = _MARGIN + 10
_LEAST_PANE_ROWS: Final = 3  # what an axis with zero in its middle takes
_COLUMNS_PER_TIME_LABEL: Final = 12
_SPARE_ROW_FROM: Final = 9
_NOISE_SHARE: Final = 0.02


class Part(IntEnum):
    """What a character of the picture is; the screen gives each a style."""

    BLANK = 0
    AXIS = 1
    GRID = 2
    MARK = 3
    GAP = 4
    CURRENT = 5
    VOLTAGE = 6
    SPEED = 7
    CUT = 8


@dataclass(frozen=True, slots=True)
class Trace:
    """One pane: minimum and maximum per bin, its unit, and how its axis behaves."""

    part: Part
    unit: str
    lowest: Floats
    highest: Floats
    least_span: float
    from_zero: bool


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """The stretch of time shown: `span_s` seconds up to `end_s`, with marks and cuts on the same clock.

    A cut is its number, its start and its end. From `provisional_from_s` on earlier samples may yet come. The
    labels count back from the end, or up from zero where it `counts_up`.
    """

    end_s: float
    bin_s: float
    span_s: float
    marks_s: tuple[float, ...] = ()
    first_mark: int = 1
    end_label: str = "now"
    provisional_from_s: float | None = None
    cuts: tuple[tuple[int, float, float], ...] = ()
    counts_up: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawn chart: character, part, and whether it lies in a cut, for every cell: shape (height, width)."""

    signs: Cells
    parts: npt.NDArray[np.uint8]
    shaded: Mask

    @classmethod
    def blank(cls, width: int, height: int) -> Picture:
        """Return an empty picture."""
        shape = (height, width)
        return cls(np.full(shape, " "), np.zeros(shape, dtype=np.uint8), np.zeros(shape, dtype=np.bool_))

    def put(self, row: int, column: int, text: str, part: Part) -> None:
        """Write a text; what lies outside is cut."""
        start = max(column, 0)
        end = min(column + len(text), self.signs.shape[1])
        if start < end:
            self.signs[row, start:end] = list(text[start - column : end - column])
            self.parts[row, start:end] = part

    def runs(self, row: int) -> Iterator[tuple[str, Part, bool]]:
        """Yield the texts of one row, each with its part and whether it is shaded, from the left."""
        parts, shaded = self.parts[row], self.shaded[row]
        if not len(parts):
            return
        text = "".join(self.signs[row].tolist())
        changes = (parts[1:] != parts[:-1]) | (shaded[1:] != shaded[:-1])
        starts = [0, *(np.flatnonzero(changes) + 1).tolist(), len(text)]
        for start, end in pairwise(starts):
            yield text[start:end], Part(int(parts[start])), bool(shaded[start])

    def lines(self) -> list[str]:
        """Return the characters alone, line by line."""
        return ["".join(row) for row in self.signs.tolist()]


def draw_chart(
    traces: Sequence[Trace], time: TimeSpan, *, width: int, height: int, style: DotStyle = DotStyle.BRAILLE
) -> Picture:
    """Return the chart of the traces; blank where there is no room or nothing to show."""
    picture = Picture.blank(max(width, 0), max(height, 0))
    spare, pane_rows = _rows_of_panes(len(traces), height - _AXIS_ROWS)
    if width < _LEAST_WIDTH or not pane_rows:
        return picture
    gap = np.zeros((width - _MARGIN) * 2, dtype=np.bool_)
    top = 0
    for trace, rows in zip(traces, pane_rows, strict=False):
        gap |= _draw_pane(picture, trace, time, range(top, top + rows), style)
        top += rows + spare
    _draw_time_axis(picture, time)
    _draw_cuts(picture, time)
    _draw_gaps(picture, gap)
    _draw_marks(picture, time)
    _number_cuts(picture, time)
    return picture


def _rows_of_panes(panes: int, rows: int) -> tuple[int, list[int]]:
    """Return the rows between two panes and the height of each; lower panes go where all would be too low."""
    while panes and rows // panes < _LEAST_PANE_ROWS:
        panes -= 1
    if not panes:
        return 0, []
    spare = int(rows >= _SPARE_ROW_FROM and (rows - (panes - 1)) // panes >= _LEAST_PANE_ROWS)
    usable = rows - (panes - 1) * spare
    # the first pane takes what does not divide: peaks of current are the tallest thing on the screen
    return spare, [usable // panes + (1 if pane < usable % panes else 0) for pane in range(panes)]


def _draw_pane(picture: Picture, trace: Trace, time: TimeSpan, rows: range, style: DotStyle) -> Mask:
    """Draw one trace with its axis; return the dot columns in which readings are missing."""
    columns = (picture.signs.shape[1] - _MARGIN) * 2
    shown = envelope(
        trace.lowest, trace.highest, end_s=time.end_s, bin_s=time.bin_s, span_s=time.span_s, columns=columns
    )
    axis = _axis_of(shown, trace, len(rows))
    _draw_ticks(picture, axis, trace, rows)
    drawn = cells(dot_mask(shown, axis, style), style)
    at = np.s_[rows.start : rows.stop, _MARGIN:]
    lit = drawn != " "
    picture.signs[at] = np.where(lit, drawn, picture.signs[at])
    picture.parts[at] = np.where(lit, np.uint8(trace.part), picture.parts[at])
    return shown.gap


def _axis_of(shown: Envelope, trace: Trace, rows: int) -> Axis:
    """Return the vertical axis that holds all that is shown."""
    have = ~np.isnan(shown.lowest)
    low, high = (shown.lowest[have].min(), shown.highest[have].max()) if have.any() else (0.0, 0.0)
    if trace.from_zero and -_NOISE_SHARE * high < low < 0:
        low = 0.0  # noise around zero takes no room; what is returned to the pack does
    return axis_for(
        float(np.clip(low, -1e12, 1e12)),
        float(np.clip(high, -1e12, 1e12)),
        rows=rows,
        least_span=trace.least_span,
        from_zero=trace.from_zero,
    )


def _draw_ticks(picture: Picture, axis: Axis, trace: Trace, rows: range) -> None:
    for row in rows:
        picture.put(row, _MARGIN - 1, "│", Part.AXIS)
    dotted = "┈" * (picture.signs.shape[1] - _MARGIN)
    for row, label in axis.labels():
        picture.put(rows.start + row, 0, f"{label} {trace.unit}".rjust(_MARGIN - 2), trace.part)
        picture.put(rows.start + row, _MARGIN - 1, "┤", Part.AXIS)
        picture.put(rows.start + row, _MARGIN, dotted, Part.GRID)


def _draw_time_axis(picture: Picture, time: TimeSpan) -> None:
    height, width = picture.signs.shape
    plot = width - _MARGIN
    picture.put(height - _AXIS_ROWS, _MARGIN - 1, "└" + "─" * plot, Part.AXIS)
    if time.provisional_from_s is not None:
        start = _column_of(time.provisional_from_s, time, plot)
        picture.put(height - _AXIS_ROWS, _MARGIN + start, PROVISIONAL_SIGN * (plot - start), Part.GAP)
    step = round_step(time.span_s / max(1, plot // _COLUMNS_PER_TIME_LABEL))
    steps = np.arange(0.0, time.span_s + step / 2, step)
    for seconds in steps[steps <= time.span_s * (1 + 1e-9)].tolist():
        if time.counts_up:
            column, label = _column_of(time.end_s - time.span_s + seconds, time, plot), f"{seconds:g} s"
        else:
            column = _column_of(time.end_s - seconds, time, plot)
            label = time.end_label if seconds == 0 else f"-{seconds:g} s"
        picture.put(height - _AXIS_ROWS, _MARGIN + column, "┴", Part.AXIS)
        # labels at both ends are pulled inside
        start = min(max(_MARGIN + column - len(label) // 2, _MARGIN - 1), width - len(label))
        picture.put(height - 1, start, label, Part.AXIS)


def _draw_cuts(picture: Picture, time: TimeSpan) -> None:
    """Shade each cut, and draw the axis under it heavy."""
    axis_row = picture.signs.shape[0] - _AXIS_ROWS
    for _, columns in _columns_of_cuts(picture, time):
        picture.shaded[:axis_row, columns.start : columns.stop] = True
        picture.put(axis_row, columns.start, CUT_SIGN * len(columns), Part.CUT)


def _number_cuts(picture: Picture, time: TimeSpan) -> None:
    """Write the number of each cut on its stretch of the axis, where neither mark nor gap is in the way."""
    axis_row = picture.signs.shape[0] - _AXIS_ROWS
    for number, columns in _columns_of_cuts(picture, time):
        label = f"[{number}]"
        starts = range(columns.start, columns.stop - len(label) + 1)
        free = [
            start
            for start in starts
            if (picture.parts[axis_row, start : start + len(label)] == Part.CUT).all()
        ]
        if free:
            middle = (columns.start + columns.stop - len(label)) / 2
            picture.put(axis_row, min(free, key=lambda start: abs(start - middle)), label, Part.CUT)


def _columns_of_cuts(picture: Picture, time: TimeSpan) -> Iterator[tuple[int, range]]:
    """Yield the number of each cut that is in sight, and the columns in which it lies."""
    plot = picture.signs.shape[1] - _MARGIN
    for number, start_s, end_s in time.cuts:
        if end_s > time.end_s - time.span_s and start_s <= time.end_s:
            first, last = _column_of(start_s, time, plot), _column_of(end_s, time, plot)
            yield number, range(_MARGIN + first, _MARGIN + last + 1)


def _draw_gaps(picture: Picture, gap: Mask) -> None:
    """Draw a cross on the axis under each column in which readings are missing."""
    height, width = picture.signs.shape
    plot = width - _MARGIN
    missing = gap.reshape(plot, 2).any(axis=1)
    picture.signs[height - _AXIS_ROWS, _MARGIN:][missing] = GAP_SIGN
    picture.parts[height - _AXIS_ROWS, _MARGIN:][missing] = Part.GAP


def _draw_marks(picture: Picture, time: TimeSpan) -> None:
    """Draw each mark as a line behind the traces; its number stands on the time axis and hides no peak."""
    height, width = picture.signs.shape
    axis_row = height - _AXIS_ROWS
    for number, mark_s in enumerate(time.marks_s, start=time.first_mark):
        if not time.end_s - time.span_s < mark_s <= time.end_s:
            continue
        column = _MARGIN + _column_of(mark_s, time, width - _MARGIN)
        free = np.isin(picture.parts[:axis_row, column], (Part.BLANK, Part.GRID))
        picture.signs[:axis_row, column][free] = "┃"
        picture.parts[:axis_row, column][free] = Part.MARK
        text = f"{MARK_SIGN}{number}" if number > 0 else MARK_SIGN
        picture.put(axis_row, min(column, width - len(text)), text, Part.MARK)


def _column_of(moment_s: float, time: TimeSpan, plot: int) -> int:
    return min(max(int((moment_s - (time.end_s - time.span_s)) / time.span_s * plot), 0), plot - 1)
