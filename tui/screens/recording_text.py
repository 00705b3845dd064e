"""A recording in its main figures, as plain lines."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer, Static

from capture.errors import CaptureError
from tui.formatting import duration, figure, plain

if TYPE_CHECKING:
    from pathlib import Path

    from textual.app import ComposeResult

    from capture.summary import Summary
    from tui.workbench import Workbench

_NAME_WIDTH: Final = 16


class RecordingTextScreen(Screen[None]):
    """Reads a recording in a thread and shows its figures."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", key_display="esc", id="recording.back", tooltip="Back"),
    ]

    def __init__(self, workbench: Workbench, path: Path) -> None:
        super().__init__()
        self._workbench = workbench
        self._path = path

    def compose(self) -> ComposeResult:
        """Yield the name and the figures."""
        with VerticalScroll(classes="dialog"):
            yield Static(plain(self._path.name), classes="title", markup=False)
            yield Static("Reading the recording ...", id="figures", markup=False)
        yield Footer()

    def on_mount(self) -> None:
        """Begin to read."""
        self.run_worker(self._read, thread=True, name="read a recording")

    def _read(self) -> None:
        try:
            text = _lines(self._workbench.read(self._path, lambda _rows: None))
        except CaptureError as error:
            text = f"▲ {plain(str(error))}"
        self.call_later(self.query_one("#figures", Static).update, text)

    def action_back(self) -> None:
        """Leave."""
        self.dismiss(None)


def _lines(summary: Summary) -> str:
    figures, document = summary.figures, summary.recording.document
    rows = {
        "duration": duration(figures.duration_s),
        "samples": f"{figures.samples}, lost {document['lost_samples']}",
        "energy, net": figure(figures.energy, "Wh"),
        "charge, net": figure(figures.charge, "Ah"),
        "peak current": figure(figures.peak_current, "A"),
        "rest voltage": figure(figures.rest_voltage, "V"),
        "lowest voltage": figure(figures.minimum_voltage, "V"),
        "drop from rest": figure(figures.drop_from_rest, "V"),
    }
    told = [f"{name:{_NAME_WIDTH}} {value}" for name, value in rows.items()]
    return "\n".join([*told, *(f"! {plain(warning)}" for warning in summary.warnings)])
