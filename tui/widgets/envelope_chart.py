"""The chart of current, voltage and speed over the last seconds, drawn line by line from a `ChartWindow`.

The drawing itself is pure and lives in `chart_picture`; here it meets the screen: its size, its styles.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

import numpy as np
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from tui.widgets.chart_picture import Part, Picture, TimeSpan, Trace, draw_chart

if TYPE_CHECKING:
    from textual.events import Resize

    from capture.engine.snapshot import ChartWindow
    from capture.overview import Overview
    from tui.widgets.envelope import DotStyle

#: The panes from the top: column, what it is drawn as, unit, least span of its axis, whether it holds zero.
_PANES: Final = (
    ("current_a", Part.CURRENT, "A", 2.0, True),
    ("voltage_v", Part.VOLTAGE, "V", 1.0, False),
    ("speed_rpm", Part.SPEED, "rpm", 100.0, True),
)


def traces_of(window: ChartWindow | Overview) -> list[Trace]:
    """Return the panes for which the window holds readings."""
    return [
        Trace(part, unit, window.lowest[column], window.highest[column], least_span, from_zero)
        for column, part, unit, least_span, from_zero in _PANES
        if column in window.lowest and column in window.highest
    ]


class EnvelopeChart(Widget):
    """Minimum and maximum of current, voltage and speed, one above the other on one time axis."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "envelope-chart--shade",
        *(f"envelope-chart--{part.name.lower()}" for part in Part),
    }

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  Textual's name for it
        super().__init__(id=id)
        self._picture = Picture.blank(0, 0)
        self._shown: tuple[list[Trace], TimeSpan, DotStyle] | None = None

    def show(
        self, window: ChartWindow, *, span_s: float, first_mark: int, end_label: str, style: DotStyle
    ) -> None:
        """Draw the last `span_s` seconds of a window; its marks are numbered from `first_mark`."""
        time = TimeSpan(
            window.end_s,
            window.bin_s,
            span_s,
            window.marks_s,
            first_mark,
            end_label,
            window.provisional_from_s,
            tuple((cut.number, cut.start_s, cut.end_s) for cut in window.cuts),
        )
        self._shown = (traces_of(window), time, style)
        self._draw()

    def show_run(
        self,
        overview: Overview,
        *,
        marks_s: tuple[float, ...],
        cuts: tuple[tuple[int, float, float], ...],
        style: DotStyle,
    ) -> None:
        """Draw a whole run from its first sample on, with its marks and cuts in seconds from there."""
        traces = [trace for trace in traces_of(overview) if np.isfinite(trace.lowest).any()]
        end_s = overview.bin_s * max((len(trace.lowest) for trace in traces), default=1)
        time = TimeSpan(end_s, overview.bin_s, end_s, marks_s, cuts=cuts, counts_up=True)
        self._shown = (traces, time, style)
        self._draw()

    def on_resize(self, _event: Resize) -> None:
        """Draw again in the new size."""
        self._draw()

    def _draw(self) -> None:
        if self._shown is None or not self.size:
            return
        traces, time, style = self._shown
        self._picture = draw_chart(traces, time, width=self.size.width, height=self.size.height, style=style)
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Return one line of the picture in the styles of its parts."""
        if y >= len(self._picture.signs):
            return Strip.blank(self.size.width, self.rich_style)
        runs = self._picture.runs(y)
        segments = [Segment(text, self._style_of(part, shaded)) for text, part, shaded in runs]
        return Strip(segments, self._picture.signs.shape[1]).adjust_cell_length(self.size.width)

    def _style_of(self, part: Part, shaded: bool) -> Style:  # noqa: FBT001  a property of the cell
        style = self.get_component_rich_style(f"envelope-chart--{part.name.lower()}")
        if not shaded:
            return style
        shade = self.get_component_rich_style("envelope-chart--shade")
        return style + Style(bgcolor=shade.bgcolor)
