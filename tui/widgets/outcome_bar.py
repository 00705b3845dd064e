"""How the run went, to be said with one key or one click; what was said is told by a sign and its words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from textual.containers import Container

from capture.run_card import Outcome
from tui.widgets.action_text import ActionText

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.events import Resize

#: Key and outcome, in the order in which they stand there.
OUTCOME_KEYS: Final = {str(number): outcome for number, outcome in enumerate(Outcome, start=1)}
CHOSEN: Final = "●"
_OPEN: Final = "○"
_WIDTH: Final = 70


class OutcomeBar(Container):
    """All outcomes side by side, in two columns where there is little room."""

    DEFAULT_CSS = """
    OutcomeBar { layout: horizontal; height: auto; }
    OutcomeBar.-narrow { layout: grid; grid-size: 2; grid-rows: 1; }
    OutcomeBar ActionText { margin: 0 1 0 0; }
    OutcomeBar .-chosen { text-style: bold reverse; }
    """

    def compose(self) -> ComposeResult:
        """Yield one text for each outcome."""
        for key, outcome in OUTCOME_KEYS.items():
            yield ActionText(key, f"{_OPEN} {outcome}", f"screen.outcome({key!r})", id=f"outcome-{key}")

    def show(self, chosen: Outcome | None) -> None:
        """Show which one was said; none is open."""
        for key, outcome in OUTCOME_KEYS.items():
            text = self.query_one(f"#outcome-{key}", ActionText)
            text.say(f"{CHOSEN if outcome is chosen else _OPEN} {outcome}")
            text.set_class(outcome is chosen, "-chosen")

    def on_resize(self, event: Resize) -> None:
        """Use two columns where five have no room."""
        self.set_class(event.size.width < _WIDTH, "-narrow")
