"""Works out the resistance of a stored sag test, in a thread, and tells the screen when it is there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from textual.message import Message
from textual.worker import get_current_worker

from capture.errors import CaptureError
from tui.formatting import MISSING, in_milli, milli_words, number, plain
from tui.widgets.figure_cell import ShownFigure
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.text_line import TextLine

if TYPE_CHECKING:
    from pathlib import Path

    from capture.quantities import Figure
    from capture.resistance import Pulses
    from tui.workbench import Workbench

#: The kind of run whose result is a resistance.
SAG_TEST: Final = "sag test"
_TIMES: Final = ("0.1", "1", "10")
_DECIMALS: Final = 2


class ResistanceRead(Message):
    """The resistance is there."""

    def __init__(self, figures: list[ShownFigure]) -> None:
        super().__init__()
        self.figures = figures


class ResistanceFailed(Message):
    """It cannot be told; `why` is the line that says so."""

    def __init__(self, why: str) -> None:
        super().__init__()
        self.why = why


class ResistanceReading(TextLine):
    """A line that says that it is worked out, or why it could not be; posts ResistanceRead."""

    DEFAULT_CSS = """
    ResistanceReading { padding: 0 1; display: none; }
    """

    def __init__(self, workbench: Workbench, path: Path) -> None:
        super().__init__()
        self._workbench = workbench
        self._path = path

    def begin(self) -> None:
        """Work it out; takes seconds."""
        self._say("Resistance: working it out ...")
        self.run_worker(self._read, thread=True, group="resistance", exclusive=True)

    def _read(self) -> None:
        worker = get_current_worker()
        try:
            figures = shown_resistance(self._workbench.pulses(self._path))
        except CaptureError as error:
            message: Message = ResistanceFailed(str(error))
        else:
            message = ResistanceRead(figures)
        if not worker.is_cancelled:
            self.post_message(message)

    def on_resistance_read(self, _message: ResistanceRead) -> None:
        """Make way for the figures."""
        self.display = False

    def on_resistance_failed(self, message: ResistanceFailed) -> None:
        """Say why there are none."""
        self._say(f"! Resistance: {message.why}")

    def _say(self, words: str) -> None:
        self.display = True
        self.show([Piece(plain(words), shrink=Shrink.END)])


def shown_resistance(found: Pulses) -> list[ShownFigure]:
    """Return the resistances of a run as the result screen shows them: ohmic, then by pulse time."""
    pulses = found.pulses
    told = (None,) * (1 + len(_TIMES)) if pulses is None else (pulses.ohmic, *pulses.pulse)
    names = ("resistance, ohmic", *(f"resistance, {at} s" for at in _TIMES))
    return [_shown(name, figure) for name, figure in zip(names, told, strict=True)]


def _shown(name: str, figure: Figure | None) -> ShownFigure:
    if figure is None:
        return ShownFigure(name, MISSING, f"{name}: cannot be told")
    milliohm = in_milli(figure).value
    precise = f"{milli_words(figure)} mΩ" if figure.u else ""
    return ShownFigure(name, f"{number(milliohm, _DECIMALS)} mΩ", f"{milliohm!r} mΩ", precise=precise)
