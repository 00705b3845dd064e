"""The live screen: what the pack does now, in figures that are read from two metres, and how it came to that.

It looks at the session's newest snapshot eight times a second, whatever the logger's rate, and draws what
changed. Nothing here waits for a file or a link.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.screen import Screen
from textual.widgets import Footer, Static

from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import CaptureError
from tui.formatting import plain
from tui.screens.advice import SHORT_CAUTION, advice, has_readings
from tui.screens.room import room_for
from tui.screens.shown_figures import other_channels, tiles_of
from tui.themes import dot_style
from tui.widgets.envelope_chart import EnvelopeChart
from tui.widgets.figure_tile import FigureTile
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.status_line import link_pieces, recording_pieces
from tui.widgets.text_line import TextLine

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual.app import ComposeResult
    from textual.events import Resize

    from tui.session_controls import SessionControls

_REFRESH_S: Final = 1 / 8
_SPANS_S: Final = (10.0, 30.0, 60.0)
_FULL_KEYS_WIDTH: Final = 90
_SPAN_KEYS: Final = Binding.Group("Span", compact=True)
_TILES: Final = ("voltage", "current", "power", "energy")


class LiveScreen(Screen[None]):
    """The session as it is now."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("r", "record", "Record", id="live.record", tooltip="Start a recording, or stop and save it"),
        Binding("m", "mark", "Mark", id="live.mark", tooltip="Note this moment in the recording"),
        Binding(
            "space",
            "freeze",
            "Freeze",
            id="live.freeze",
            tooltip="Hold the view still; the recording goes on",
        ),
        Binding(
            "plus,equals_sign",
            "span(1)",
            "Longer",
            key_display="+",
            id="live.longer",
            tooltip="Show a longer stretch of time: 10, 30 or 60 s",
            group=_SPAN_KEYS,
        ),
        Binding(
            "minus",
            "span(-1)",
            "Shorter",
            key_display="-",
            id="live.shorter",
            tooltip="Show a shorter stretch of time: 60, 30 or 10 s",
            group=_SPAN_KEYS,
        ),
    ]

    def __init__(self, session: SessionControls) -> None:
        super().__init__()
        self._session = session
        self._newest = session.snapshot()
        self._viewed = self._newest
        self._frozen = False
        self._span_s = _SPANS_S[-1]
        self._notice = SHORT_CAUTION
        self._notice_of_session = ""
        self._leaving = False

    def compose(self) -> ComposeResult:
        """Yield the lines and panels from the top."""
        yield TextLine(id="link")
        yield TextLine(id="recording")
        tiles = tiles_of(self._viewed)
        with Container(id="tiles"):
            for name in _TILES:
                yield FigureTile(getattr(tiles, name), id=name)
        yield TextLine(id="channels")
        yield EnvelopeChart(id="chart")
        yield Static(id="advice", markup=False)
        yield TextLine(id="notice")
        yield Footer()

    def on_mount(self) -> None:
        """Show the first moment and then eight a second."""
        self.look()
        self.set_interval(_REFRESH_S, self.look)
        self.watch(self.app, "theme", self.look, init=False)  # a theme chooses the dots of the chart

    def on_resize(self, event: Resize) -> None:
        """Divide the new size between figures and chart."""
        room = room_for(event.size.width, event.size.height)
        narrow = event.size.width < _FULL_KEYS_WIDTH
        self.query_one(Footer).compact = narrow
        self.set_class(narrow, "-narrow")
        self.query_one("#tiles").styles.grid_size_columns = room.columns
        for index, name in enumerate(_TILES):
            tile = self.query_one(f"#{name}", FigureTile)
            tile.display = index < room.tiles
            tile.resize_to(room.digits, room.details)

    def look(self) -> None:
        """Show the newest moment; while frozen only the status lines follow."""
        self._newest = self._session.snapshot()
        if not self._frozen:
            self._viewed = self._newest
        self._show_lines()
        self._show_figures()
        self._show_chart()

    def leave(self) -> None:
        """Say that the recording is being saved and take no more orders."""
        self._leaving = True
        self._frozen = False
        saving = self._newest.recording.state in {RecordingState.RUNNING, RecordingState.SAVING}
        if self._newest.recording.state is RecordingState.RUNNING:
            self._order(self._session.stop_recording)
        self._notice = "Saving the recording, then leaving. Please wait." if saving else "Leaving."
        self.look()

    def _show_lines(self) -> None:
        newest = self._newest
        if newest.notice != self._notice_of_session and not self._leaving:
            self._notice = self._notice_of_session = newest.notice
        self.query_one("#link", TextLine).show(link_pieces(newest.link, frozen=self._frozen))
        streaming = newest.link.state is LinkState.STREAMING
        self.query_one("#recording", TextLine).show(
            recording_pieces(newest.recording, newest.run_s, streaming=streaming)
        )
        self.query_one("#notice", TextLine).show([Piece(plain(self._notice), shrink=Shrink.END)])

    def _show_figures(self) -> None:
        tiles = tiles_of(self._viewed)
        for name in _TILES:
            self.query_one(f"#{name}", FigureTile).show(getattr(tiles, name))
        channels = other_channels(self._viewed)
        line = self.query_one("#channels", TextLine)
        line.display = bool(channels)
        line.show(channels)

    def _show_chart(self) -> None:
        viewed, chart = self._viewed, self.query_one("#chart", EnvelopeChart)
        empty = self.query_one("#advice", Static)
        chart.display = has_readings(viewed)
        empty.display = not chart.display
        if empty.display:
            empty.update(advice(viewed.link))
        elif viewed.chart is not None:
            # the window may hold the latest marks only, and the last of them has the number of all marks
            first_mark = viewed.recording.marks - len(viewed.chart.marks_s) + 1
            chart.show(
                viewed.chart,
                span_s=self._span_s,
                first_mark=first_mark,
                end_label=self._end_label(),
                style=dot_style(self.app.theme),
            )

    def _end_label(self) -> str:
        """Return what the right end of the chart is: now, while samples come and the view follows."""
        if self._frozen:
            return "frozen"
        return "now" if self._viewed.link.state is LinkState.STREAMING else "last"

    def _say(self, text: str) -> None:
        if not self._leaving:
            self._notice = text
            self.look()

    def _order(self, order: Callable[[], None]) -> None:
        """Pass an order on; what forbids it is shown, never raised."""
        try:
            order()
        except CaptureError as error:
            self._notice = str(error)

    def action_record(self) -> None:
        """Start a recording, or stop the one that runs."""
        state = self._newest.recording.state
        if self._leaving or state is RecordingState.SAVING:
            self._say("Still saving: the next recording can start when it is done.")
        elif state is RecordingState.RUNNING:
            self._order(self._session.stop_recording)
        elif self._newest.link.state is LinkState.STREAMING:
            self._order(self._session.start_recording)
        else:
            self._say("Nothing to record: no samples come from the logger.")
        self.look()

    def action_mark(self) -> None:
        """Mark this moment, if there is a recording to mark."""
        if self._newest.recording.state is RecordingState.RUNNING:
            self._order(self._session.mark)
            self.look()
        else:
            self._say("A mark belongs to a recording: press r to start one.")

    def action_freeze(self) -> None:
        """Hold the view still, or let it follow again."""
        self._frozen = not self._frozen
        self._say("The view stands still. Space lets it go on." if self._frozen else "The view follows.")

    def action_span(self, step: int) -> None:
        """Show a longer or a shorter stretch of time."""
        index = min(max(_SPANS_S.index(self._span_s) + step, 0), len(_SPANS_S) - 1)
        self._span_s = _SPANS_S[index]
        self._say(f"The chart shows {self._span_s:.0f} s.")
