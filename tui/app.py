"""The Textual app: opens the live screen, holds what all screens share, and leaves only when all is saved."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType

from capture.engine.snapshot import Snapshot
from capture.errors import CaptureError
from tui.formatting import plain
from tui.screens.help import HelpScreen
from tui.screens.live import LiveScreen
from tui.themes import DARK, MONO, THEMES, theme_after

if TYPE_CHECKING:
    from collections.abc import Iterable

    from textual.screen import Screen

    from tui.session_controls import SessionControls


class SaglineApp(App[Snapshot]):
    """One session on the screen; `run` returns its last snapshot, None if the app was torn down.

    Whoever made the session opens it, and says there whether it is to record at once.
    """

    TITLE = "sagline"
    CSS_PATH = "app.tcss"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "t",
            "cycle_theme",
            "Theme",
            id="app.theme",
            tooltip="Take the next theme: dark, for sunlight, without colour",
        ),
        Binding(
            "question_mark,f1",
            "help",
            "Help",
            key_display="?",
            id="app.help",
            tooltip="Explain keys, figures and states; cautions",
        ),
        Binding("q", "quit", "Quit", id="app.quit", tooltip="Leave; a recording is stopped and saved first"),
    ]

    def __init__(self, session: SessionControls) -> None:
        super().__init__()
        self._session = session
        self._leaving = False
        self._live = LiveScreen(session)
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = MONO if self.no_color else DARK

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return our own colours for a theme that does not name them."""
        return THEMES[0].variables

    def get_default_screen(self) -> LiveScreen:
        """Return the live screen."""
        return self._live

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """Yield every key of the screen as a command of the palette."""
        seen: set[str] = set()
        for node, binding, enabled, tooltip in screen.active_bindings.values():
            # several keys of one action are one command
            if enabled and binding.id and binding.id not in seen:
                seen.add(binding.id)
                yield SystemCommand(
                    f"{binding.description} ({self.get_key_display(binding)})",
                    tooltip or binding.tooltip,
                    partial(self.run_action, binding.action, node),
                )

    def action_cycle_theme(self) -> None:
        """Take the next theme."""
        self.theme = theme_after(self.theme)

    def action_help(self) -> None:
        """Open the help."""
        self.push_screen(HelpScreen(self._keys()))

    async def action_quit(self) -> None:
        """Leave; a running recording is stopped and saved first, while the live screen says so."""
        if self._leaving:
            return
        self._leaving = True
        while self.screen is not self._live:
            await self.pop_screen()
        self._live.leave()
        self.run_worker(self._close, thread=True, exclusive=True, name="close the session")

    def _close(self) -> None:
        """Seal and let go, in a thread of its own: disks may take seconds."""
        failure = None
        try:
            self._session.close()
        except CaptureError as error:
            failure = Text(plain(str(error)))
        self.call_from_thread(self.exit, self._session.snapshot(), 1 if failure else 0, failure)

    def _keys(self) -> list[tuple[str, str]]:
        """Return the face of each key and what it does, for the help."""
        bindings = [*LiveScreen.BINDINGS, *self.BINDINGS]
        return [
            (
                self.get_key_display(binding.with_key(binding.key.split(",")[0], binding.key_display)),
                binding.tooltip,
            )
            for binding in bindings
            if isinstance(binding, Binding)
        ]
