"""The live screen: what the pack does now, in figures that are read from two metres, and how it came to that.

It looks at the session's newest snapshot eight times a second, whatever the logger's rate, and draws what
changed. Nothing here waits for a file or a link; what the operator orders lies in `orders`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from textual.containers import Container
from textual.message import Message
from textual.widgets import Footer, Static

from capture.cut_figures import numbered_cuts
from capture.engine.snapshot import LinkState, RecordingState
from tui.formatting import plain
from tui.guide_words import caution_of, guide_words
from tui.screens.advice import advice, has_readings
from tui.screens.orders import LiveOrders
from tui.screens.room import CutsPlace, Room, room_for
from tui.screens.shown_figures import TILE_NAMES, last_cut_pieces, other_channels, tiles_of
from tui.themes import dot_style
from tui.widgets.cut_table import CutTable
from tui.widgets.envelope_chart import EnvelopeChart
from tui.widgets.figure_tile import FigureTile, TileFigures
from tui.widgets.guide_banner import GuideBanner
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.status_line import alarm_pieces, link_pieces, recording_pieces
from tui.widgets.text_line import TextLine

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual.app import ComposeResult

    from capture.engine.snapshot import RecordingStatus
    from capture.run_card import RunCard
    from tui.session_controls import SessionControls

_REFRESH_S: Final = 1 / 8
#: One flash a second: well below the three that may harm (WCAG 2.2, success criterion 2.3.1).
_FLASH_S: Final = 0.5
_FULL_KEYS_WIDTH: Final = 90
_CUTS_BELOW: Final = 4
MOST_CUTS: Final = 100


class LiveScreen(LiveOrders):
    """The session as it is now."""

    class RunSaved(Message):
        """A run has ended and its file is whole."""

        def __init__(self, recording: RecordingStatus) -> None:
            super().__init__()
            self.recording = recording

    class RunBegun(Message):
        """A recording has begun."""

    def __init__(self, session: SessionControls, complete: Callable[[RunCard], RunCard]) -> None:
        super().__init__(session, complete)
        self._arranged: tuple[int, int, int, tuple[str, ...], bool] | None = None
        self._told = self.newest.recording
        self._most_cuts = 1

    def compose(self) -> ComposeResult:
        """Yield the lines and panels from the top."""
        yield TextLine(id="link")
        yield TextLine(id="recording")
        yield TextLine(id="alarm")
        yield GuideBanner(id="guide")
        with Container(id="tiles"):
            for name in TILE_NAMES:
                yield FigureTile(TileFigures(name, "", ""), id=name)
        yield TextLine(id="channels")
        with Container(id="work"):
            yield EnvelopeChart(id="chart")
            yield Static(id="advice", markup=False)
            yield CutTable(newest_first=True, explained=False, id="cuts")
        yield TextLine(id="last-cut")
        yield TextLine(id="notice")
        yield Footer()

    def on_mount(self) -> None:
        """Show the first moment and then eight a second."""
        self.look()
        self.set_interval(_REFRESH_S, self.look)
        self.flashing = self.set_interval(_FLASH_S, self.flash)
        self.watch(self.app, "theme", self.look, init=False)  # a theme chooses the dots of the chart

    def on_resize(self) -> None:
        """Divide the new size between figures, chart and cuts."""
        self.look()

    def look(self) -> None:
        """Show the newest moment; while frozen only the status lines follow."""
        self.take_newest()
        self._tell_of_runs()
        self._show_guide()
        self._show_figures()
        self._show_lines()
        self._show_chart()

    def _tell_of_runs(self) -> None:
        """Tell the app when a recording has begun, and when it is whole and the live screen is in sight."""
        told, now = self._told, self.newest.recording
        if now.state is RecordingState.RUNNING and (told.state is not now.state or told.path != now.path):
            self.post_message(self.RunBegun())
        elif now.state is RecordingState.SAVED and (told.state is not now.state or told.path != now.path):
            if self.app.screen is not self or self.leaving:
                return  # not seen yet: told as soon as nothing lies above
            self.post_message(self.RunSaved(now))
        self._told = now

    def _arrange(self, names: tuple[str, ...]) -> None:
        """Give each of the panels its room; done again only when the screen or the tiles are others."""
        width, height = self.size
        guide_rows = self.query_one(GuideBanner).rows_in(width, height)
        if self._arranged == (width, height, guide_rows, names, self.all_cuts):
            return
        self._arranged = (width, height, guide_rows, names, self.all_cuts)
        narrow = width < _FULL_KEYS_WIDTH
        self.query_one(Footer).compact = narrow
        self.set_class(narrow, "-narrow")
        room = room_for(width, height - guide_rows, len(names))
        self.query_one("#tiles").styles.grid_size_columns = room.columns
        for name in TILE_NAMES:
            tile = self.query_one(f"#{name}", FigureTile)
            tile.display = name in names[: room.tiles]
            tile.resize_to(room.digits, room.details)
        self.query_one("#last-cut").display = room.cuts is CutsPlace.LINE
        self._arrange_cuts(room)

    def _arrange_cuts(self, room: Room) -> None:
        """Put the table of cuts below the chart, beside it, or in its place."""
        self._most_cuts = MOST_CUTS if self.all_cuts or room.cuts is CutsPlace.BESIDE else _CUTS_BELOW
        self.query_one("#cuts").display = self.all_cuts or room.cuts is not CutsPlace.LINE
        work = self.query_one("#work")
        work.set_class(self.all_cuts, "-all-cuts")
        work.set_class(room.cuts is CutsPlace.BESIDE and not self.all_cuts, "-beside")

    def _show_guide(self) -> None:
        """Show what to do next, also while the view is frozen."""
        report, banner, card = self.newest.guide, self.query_one(GuideBanner), self.newest.card
        if report is None:
            banner.show(None)
            return
        cutoff_v = None if card is None else card.cutoff_v
        banner.show(guide_words(report, self.newest.link.state), caution_of(report, cutoff_v))

    def _show_figures(self) -> None:
        tiles = tiles_of(self.viewed)
        self._arrange(tuple(tiles))
        for name, shown in tiles.items():
            self.query_one(f"#{name}", FigureTile).show(shown)
        channels = other_channels(self.viewed)
        line = self.query_one("#channels", TextLine)
        line.display = bool(channels)
        line.show(channels)
        figures = self.viewed.figures
        self.query_one("#last-cut", TextLine).show(last_cut_pieces(figures))
        if figures is not None and figures.first_tick_us is not None:
            cuts = numbered_cuts(figures, self._most_cuts)
            self.query_one("#cuts", CutTable).show_numbered(cuts, figures.first_tick_us)

    def _show_lines(self) -> None:
        newest = self.newest
        self.query_one("#link", TextLine).show(link_pieces(newest.link, frozen=self.frozen))
        streaming = newest.link.state is LinkState.STREAMING
        self.query_one("#recording", TextLine).show(
            recording_pieces(newest.recording, newest.run_s, streaming=streaming)
        )
        alarm = self.query_one("#alarm", TextLine)
        alarm.display = bool(newest.alarms)
        alarm.show(alarm_pieces(newest.alarms, seen=not self.alarm_is_new))
        self.query_one("#notice", TextLine).show([Piece(plain(self.notice), shrink=Shrink.END)])

    def _show_chart(self) -> None:
        viewed, chart = self.viewed, self.query_one("#chart", EnvelopeChart)
        empty = self.query_one("#advice", Static)
        chart.display = has_readings(viewed) and not self.all_cuts
        empty.display = not has_readings(viewed) and not self.all_cuts
        if empty.display:
            empty.update(advice(viewed.link))
        elif viewed.chart is not None and chart.display:
            # the window may hold the latest marks only, and the last of them has the number of all marks
            first_mark = viewed.recording.marks - len(viewed.chart.marks_s) + 1
            chart.show(
                viewed.chart,
                span_s=self.span_s,
                first_mark=first_mark,
                end_label=self._end_label(),
                style=dot_style(self.app.theme),
            )

    def _end_label(self) -> str:
        """Return what the right end of the chart is: now, while samples come and the view follows."""
        if self.frozen:
            return "frozen"
        return "now" if self.viewed.link.state is LinkState.STREAMING else "last"

    def flash(self) -> None:
        """Turn the whole screen over and back, once a second, while there is an alarm nobody has seen."""
        self.set_class(self.alarm_is_new and not self.has_class("-flash"), "-flash")
