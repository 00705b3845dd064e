"""A table of cuts: rows follow what is told, and only cells that changed are drawn again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text
from textual.containers import Vertical
from textual.coordinate import Coordinate
from textual.widgets import DataTable, Static

from capture.cut_figures import NumberedCut
from tui.widgets.cut_rows import GAP_MEANS, UNFINISHED_MEANS, CutRows, cut_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.app import ComposeResult
    from textual.events import Resize

    from capture.folds.cut_record import CutRecord

NO_CUTS_YET: Final = "No cuts yet. Pull the trigger and work: each stretch of work becomes a row here."


class CutTable(Vertical):
    """Cuts as rows, in the columns for which there is room; `empty` is what stands there without any.

    Unless it is `explained` elsewhere, what its signs mean stands below it.
    """

    DEFAULT_CSS = """
    CutTable { height: auto; }
    CutTable DataTable { height: auto; max-height: 100%; background: $background; }
    CutTable DataTable:focus > .datatable--header { text-style: bold reverse; }
    CutTable Static { height: auto; }
    """

    def __init__(
        self,
        *,
        newest_first: bool = False,
        empty: str = NO_CUTS_YET,
        explained: bool = True,
        id: str | None = None,  # noqa: A002  Textual's name
    ) -> None:
        super().__init__(id=id)
        self._newest_first = newest_first
        self._empty = empty
        self._explained = explained
        self._cuts: list[NumberedCut] = []
        self._first_tick_us = 0
        self._shown = CutRows()

    def compose(self) -> ComposeResult:
        """Yield the table and what explains it."""
        table: DataTable[Text] = DataTable(cursor_type="none")
        table.display = False
        yield table
        yield Static(self._empty, classes="empty", markup=False)
        signs = Static(classes="signs", markup=False)
        signs.display = False
        yield signs

    def show(
        self,
        cuts: Sequence[CutRecord],
        first_tick_us: int,
        *,
        first_number: int = 1,
        unfinished: bool = False,
    ) -> None:
        """Show these cuts, oldest first, numbered from `first_number`; `unfinished` is said of the last."""
        last = first_number + len(cuts) - 1
        numbered = enumerate(cuts, start=first_number)
        self.show_numbered(
            [NumberedCut(at, cut, unfinished=unfinished and at == last) for at, cut in numbered],
            first_tick_us,
        )

    def show_numbered(self, cuts: Sequence[NumberedCut], first_tick_us: int) -> None:
        """Show cuts that have their numbers already, oldest first."""
        ordered = list(reversed(cuts)) if self._newest_first else list(cuts)
        if (ordered, first_tick_us) != (self._cuts, self._first_tick_us):
            self._cuts, self._first_tick_us = ordered, first_tick_us
            self._draw()

    def on_resize(self, _event: Resize) -> None:
        """Divide the new width."""
        self._draw()

    def _draw(self) -> None:
        table = self.query_one(DataTable)
        wanted = cut_rows(self._cuts, self._first_tick_us, self.size.width - 1)  # a column for the scroll bar
        with self.app.batch_update():
            table.display = bool(self._cuts)
            self.query_one(".empty").display = not self._cuts
            self._explain()
            self._draw_cells(table, wanted)
        self._shown = wanted

    def _draw_cells(self, table: DataTable[Text], wanted: CutRows) -> None:
        """Make the table's cells those of `wanted`; columns are made anew only when they differ."""
        if (wanted.headings, wanted.widths) != (self._shown.headings, self._shown.widths):
            table.clear(columns=True)
            for heading, width in zip(wanted.headings, wanted.widths, strict=True):
                table.add_column(Text(heading, justify="right"), width=width)
            self._shown = CutRows(wanted.headings, wanted.widths)
        for at, (row, shown) in enumerate(zip(wanted.rows, self._shown.rows, strict=False)):
            for column, (text, before) in enumerate(zip(row, shown, strict=True)):
                if text != before:
                    table.update_cell_at(Coordinate(at, column), Text(text, justify="right"))
        for at in range(len(self._shown.rows), len(wanted.rows)):
            table.add_row(*(Text(text, justify="right") for text in wanted.rows[at]), key=str(at))
        for at in range(len(wanted.rows), len(self._shown.rows)):
            table.remove_row(str(at))

    def _explain(self) -> None:
        """Say what the signs mean that stand beside a number."""
        gap = any(cut.record.has_gap for cut in self._cuts)
        unfinished = any(cut.unfinished for cut in self._cuts)
        words = [GAP_MEANS] * gap + [UNFINISHED_MEANS] * unfinished
        signs = self.query_one(".signs", Static)
        signs.display = bool(words) and self._explained
        if words:
            signs.update("\n".join(words))
