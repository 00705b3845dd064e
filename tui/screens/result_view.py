"""The middle of the result screen: where the file is, warnings, figures, cuts, and what people said."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from rich.table import Table
from rich.text import Text
from textual.containers import Container, Vertical, VerticalScroll
from textual.widgets import Static

from capture.cut_figures import numbered_cuts
from tui.formatting import plain
from tui.screens.result_figures import about, card_rows, shown_figures, told_rows
from tui.themes import dot_style
from tui.widgets.cut_table import CutTable
from tui.widgets.envelope_chart import EnvelopeChart
from tui.widgets.figure_cell import FigureCell
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.text_line import TextLine

if TYPE_CHECKING:
    from pathlib import Path

    from textual.app import ComposeResult
    from textual.events import Resize

    from capture.summary import Summary
    from tui.widgets.figure_cell import ShownFigure

_CELL_WIDTH: Final = 36
_ROOMY_CELL_WIDTH: Final = 22
_ROOMY_FROM_ROWS: Final = 50
_CHART_FIRST_FROM_ROWS: Final = 30
_CHART_ROWS: Final = 14
_ROOMY_CHART_ROWS: Final = 17
_NO_CUTS: Final = "No cuts: the current was never at work for long enough to be one."
_NAME_WIDTH: Final = 20
_MOST_SHADED: Final = 200


class FileLine(TextLine):
    """A line that says where the file is; a click copies its path."""

    async def on_click(self) -> None:
        """Copy it."""
        await self.run_action("screen.copy_path")


class ResultView(Vertical):
    """What a summary says, from the top by what is wanted first."""

    DEFAULT_CSS = """
    ResultView { height: auto; }
    ResultView.-full { height: 1fr; }
    ResultView > TextLine { padding: 0 1; }
    ResultView #file { text-style: bold; }
    ResultView #result {
        height: 1fr; padding: 0 1; scrollbar-color: $foreground; scrollbar-background: $panel;
    }
    ResultView #warnings {
        height: auto; color: $warning; text-style: bold; border-left: thick $warning; padding: 0 1;
    }
    ResultView #figures { layout: grid; grid-rows: auto; height: auto; }
    ResultView #run-chart { margin: 1 0 0 0; }
    ResultView .title { text-style: bold underline; margin: 1 0 0 0; }
    ResultView #told { height: auto; }
    ResultView DataTable { max-height: 12; }
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path
        self._columns = 2
        self._summary: Summary | None = None
        self._first: list[ShownFigure] = []

    def compose(self) -> ComposeResult:
        """Yield the lines and sections."""
        yield FileLine(id="file")
        yield FileLine(id="folder")
        yield TextLine(id="about")
        with VerticalScroll(id="result", can_focus=False):
            yield Static(id="warnings", markup=False)
            yield Container(id="figures")
            yield EnvelopeChart(id="run-chart")
            yield Static("Cuts", classes="title")
            yield CutTable(empty=_NO_CUTS)
            yield Static(id="told")

    def on_mount(self) -> None:
        """Wait for the figures."""
        self.query_one("#result").display = False
        self.watch(self.app, "theme", self._show_chart, init=False)  # a theme chooses the dots of the chart

    def on_resize(self, event: Resize) -> None:
        """Put as many figures side by side as have room; in a high screen each gets two rows."""
        self._arrange(event.size.width, self.app.size.height)

    def show_file(self) -> None:
        """Say which file it is and where."""
        path = self._path.resolve()
        self.query_one("#file", TextLine).show([Piece("File"), Piece(plain(path.name), shrink=Shrink.MIDDLE)])
        folder = Piece(plain(str(path.parent)), shrink=Shrink.MIDDLE)
        self.query_one("#folder", TextLine).show([Piece("in  "), folder])

    def show(self, summary: Summary) -> None:
        """Show a summary; the focus stays where it is."""
        line = about(summary.card) or "The run card is empty: k fills it in"
        self.query_one("#about", TextLine).show([Piece("Run "), Piece(line, shrink=Shrink.END)])
        warnings = self.query_one("#warnings", Static)
        warnings.display = bool(summary.warnings)
        warnings.update("\n".join(f"! {plain(warning)}" for warning in summary.warnings))
        self._summary = summary
        self._show_figures(summary)
        self._show_chart()
        figures = summary.figures
        self.query_one(CutTable).show_numbered(numbered_cuts(figures), figures.first_tick_us or 0)
        self.query_one("#told", Static).update(_told(summary))
        self.query_one("#result").display = True
        self.add_class("-full")

    def show_first(self, figures: list[ShownFigure]) -> None:
        """Show further figures before all others."""
        self._first = figures
        if self._summary is not None:
            self._show_figures(self._summary)

    def go(self, step: int) -> None:
        """Give the focus to the figure `step` places on; past the last to what comes behind it."""
        cells = list(self.query(FigureCell))
        at = next((place for place, cell in enumerate(cells) if cell.has_focus), -1) + step
        if 0 <= at < len(cells):
            cells[at].focus()
        elif at >= len(cells):
            self.screen.focus_next()
        else:
            self.query_one("#result").scroll_home(animate=False)

    def go_row(self, rows: int) -> None:
        """Give the focus to the figure so many rows below."""
        self.go(rows * self._columns)

    def _show_figures(self, summary: Summary) -> None:
        wanted, cells = [*self._first, *shown_figures(summary)], list(self.query(FigureCell))
        if [cell.figure.name for cell in cells] == [figure.name for figure in wanted]:
            return  # amendments change no figure
        box = self.query_one("#figures", Container)
        box.remove_children()
        box.mount(*(FigureCell(figure) for figure in wanted))
        self._arrange(self.size.width, self.app.size.height)

    def _show_chart(self) -> None:
        """Draw the whole run, where there is anything to draw."""
        summary, chart = self._summary, self.query_one("#run-chart", EnvelopeChart)
        chart.display = summary is not None and "current_a" in summary.recording.columns
        if summary is None:
            return
        first_us = summary.figures.first_tick_us or 0
        marks = [mark["t_s"] for mark in summary.recording.document["marks"]]
        chart.show_run(
            summary.overview,
            marks_s=tuple(math.nan if mark_s is None else float(mark_s) for mark_s in marks),
            cuts=tuple(
                (cut.number, (cut.record.start_us - first_us) * 1e-6, (cut.record.end_us - first_us) * 1e-6)
                for cut in numbered_cuts(summary.figures, _MOST_SHADED)
            ),
            style=dot_style(self.app.theme),
        )

    def _arrange(self, width: int, height: int) -> None:
        roomy = height >= _ROOMY_FROM_ROWS
        self._columns = max(1, (width - 3) // (_ROOMY_CELL_WIDTH if roomy else _CELL_WIDTH))
        self.query_one("#figures").styles.grid_size_columns = self._columns
        result, chart = self.query_one("#result"), self.query_one("#run-chart")
        # in a low screen the cuts come first, and the picture of the run behind them
        chart.styles.height = _ROOMY_CHART_ROWS if roomy else _CHART_ROWS
        if height >= _CHART_FIRST_FROM_ROWS:
            result.move_child(chart, after=self.query_one("#figures"))
        else:
            result.move_child(chart, before=self.query_one("#told"))
        for cell in self.query(FigureCell):
            cell.set_class(roomy, "-roomy")


def _told(summary: Summary) -> Table:
    """Return marks, notes, readings and the card, one section below the other."""
    document = summary.recording.document
    table = Table.grid(padding=(0, 1))
    table.add_column(width=_NAME_WIDTH)
    table.add_column(ratio=1)
    sections = [*told_rows(document), ("Run card", card_rows(document, summary.card))]
    ended = [("began", str(document["opened"])[:19] + " UTC"), ("ended", plain(document["ended"]))]
    for title, rows in [*sections, ("Recording", ended)]:
        table.add_row()
        table.add_row(Text.assemble((title, "bold underline")))
        for name, words in rows:
            table.add_row(Text(name), Text(words))
    return table
