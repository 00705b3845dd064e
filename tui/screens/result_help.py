"""The help of the result screen: its keys, outcomes, figures and signs."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer

from tui.screens.help import help_section
from tui.widgets.cut_rows import GAP_MEANS, UNFINISHED_MEANS
from tui.widgets.figure_cell import FOCUSED

if TYPE_CHECKING:
    from textual.app import ComposeResult

KEYS: Final = (
    ("1 to 5", "say how the run went; a void run and a failed rig need a reason"),
    ("n", "write a note on the run"),
    ("e", "enter what a gauge showed"),
    ("k", "mend the run card; after a live run: fill in the next run's card and go on"),
    ("K", "after a live run: mend this run's card"),
    ("y", "copy the chosen figure with all its digits, or the file's path where none is chosen"),
    ("Y, click on it", "copy the file's path"),
    ("tab, arrows", "choose a figure; up and down scroll where none is chosen"),
    ("s", "try again to keep what was typed"),
    ("enter", "after a live run: prepare the next run with the same card"),
    ("R", "after a live run: do it again; the next card names this recording"),
    ("esc", "back"),
)
OUTCOMES: Final = (
    ("completed", "the work was done as it was meant to be"),
    ("tripped", "tool or pack stopped by itself"),
    ("operator stop", "you stopped it before its end"),
    ("rig failure", "something on the rig broke, not the pack"),
    ("void", "the run does not count: it is kept, and its reason with it"),
)
FIGURES: Final = (
    ("energy, net", "discharged minus returned, at the point where the voltage is sensed; charge alike"),
    ("peak current", "the highest single sample; power alike"),
    ("rest voltage", "the voltage before the first load"),
    ("minimum voltage", "the lowest single sample"),
    ("drop from rest", "rest voltage minus minimum voltage; the discharge itself is part of it"),
    ("peak sag", "of a cut: the rest before it minus its lowest voltage (mean over 20 ms)"),
    ("steady sag", "of a cut: the rest before it minus the mean over its last half"),
    ("speed in the cuts", "mean, without the run-up of each cut"),
    ("lost", "samples that the logger took and that never arrived"),
    ("recovered", "samples that came when they were asked for again"),
    ("—", "cannot be told from what was measured"),
)
SIGNS: Final = (
    ("!", "something to look at before you believe the figures"),
    (FOCUSED, "the figure that y copies"),
    (GAP_MEANS[0], GAP_MEANS[2:]),
    (UNFINISHED_MEANS[0], UNFINISHED_MEANS[2:]),
)


class ResultHelp(Screen[None]):
    """All that the result screen shows, explained."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "escape,question_mark,f1", "app.pop_screen", "Back", key_display="esc", id="result-help.back"
        ),
    ]

    def compose(self) -> ComposeResult:
        """Yield the sections from the top."""
        with VerticalScroll(id="help"):
            yield from help_section("Keys (each can also be clicked)", KEYS)
            yield from help_section("How the run went", OUTCOMES)
            yield from help_section("Figures", FIGURES, name_width=18)
            yield from help_section("Signs", SIGNS, name_width=2)
        yield Footer()

    def on_mount(self) -> None:
        """Let the arrow keys scroll at once."""
        self.query_one("#help").focus()
