"""The Textual app: the first screen below, one session above it; it leaves only when all is saved."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar, Final

from rich.text import Text
from textual.app import App, SystemCommand

from capture.engine.snapshot import Snapshot
from capture.errors import CaptureError
from tui.formatting import plain
from tui.screen_keys import KEYS_EVERYWHERE, keys_of
from tui.screens.first import DemoChosen, FirstScreen, LoggerChosen, RecordingChosen
from tui.screens.help import LIVE, HelpScreen
from tui.screens.live import LiveScreen
from tui.screens.result import NextRun, ResultScreen
from tui.sitting import Sitting
from tui.themes import DARK, MONO, THEMES, theme_after

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from textual.binding import BindingType
    from textual.screen import Screen

    from tui.session_controls import SessionControls
    from tui.workbench import Workbench

_NOTE_EVERY_S: Final = 1 / 8


class SaglineApp(App[Snapshot]):
    """The screens over a workbench; `run` returns the last snapshot of the session it ended with, or None.

    With a `session` its live screen comes first. Whoever made it opens it, and says there whether it is to
    record at once.
    """

    TITLE = "sagline"
    CSS_PATH = "app.tcss"
    BINDINGS: ClassVar[list[BindingType]] = KEYS_EVERYWHERE

    def __init__(self, workbench: Workbench, session: SessionControls | None = None) -> None:
        super().__init__()
        self.sitting = Sitting(session)
        self._workbench = workbench
        self._first = FirstScreen(workbench)
        self._live: LiveScreen | None = None
        self._opening = self._ending = self._quitting = False
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = MONO if self.no_color else DARK

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return our own colours for a theme that does not name them."""
        return THEMES[0].variables

    def get_default_screen(self) -> FirstScreen:
        """Return the first screen."""
        return self._first

    def on_mount(self) -> None:
        """Show the session there is, else look what there is to open."""
        self.set_interval(_NOTE_EVERY_S, self.sitting.note)
        if self.sitting.session is None:
            self.call_after_refresh(self._first.look_around)
        else:
            self._show_session(self.sitting.session)

    # What can be opened

    def on_logger_chosen(self, message: LoggerChosen) -> None:
        """Open a logger."""
        self.open_logger(message.address)

    def on_demo_chosen(self, _message: DemoChosen) -> None:
        """Open the virtual logger."""
        self._open("the demo", self._workbench.open_demo)

    def on_recording_chosen(self, message: RecordingChosen) -> None:
        """Open a recording."""
        self.open_recording(message.path)

    def open_logger(self, address: str) -> None:
        """Open a session with the logger at `address` and show it live."""
        self._open(address, partial(self._workbench.open_logger, address))

    def open_recording(self, path: Path) -> None:
        """Show a recording; it may have another outcome afterwards."""
        result = ResultScreen(self._workbench, path, next_run=False)
        self.push_screen(result, lambda _: self._first.read_folder())

    def _open(self, what: str, make: Callable[[], SessionControls]) -> None:
        if self._opening or self._quitting or self.sitting.session is not None:
            return
        self._opening = True
        self._first.say(f"Opening {what} ...")
        self.run_worker(partial(self._make_session, make), thread=True, name="open a session")

    def _make_session(self, make: Callable[[], SessionControls]) -> None:
        """Open a session, in a thread; the ports that are being asked are let go of first."""
        self._workbench.stop_looking()
        try:
            session = self.sitting.session = make()
        except CaptureError as error:
            self.call_later(self._first.say, str(error))
        else:
            self.call_later(self._show_session, session)
        self._opening = False

    def _show_session(self, session: SessionControls) -> None:
        if not self._quitting:
            self._live = LiveScreen(session, self._workbench.complete)
            self.push_screen(self._live)

    # What a run gave

    def on_live_screen_run_saved(self, message: LiveScreen.RunSaved) -> None:
        """Show at once what the run gave."""
        recording = message.recording
        if recording.path is not None and self.screen is self._live:
            hint = "Armed: the next load starts the next run, with the same card." if recording.armed else ""
            result = ResultScreen(
                self._workbench, recording.path, next_run=True, samples=recording.samples, hint=hint
            )
            self.push_screen(result, self._prepare)

    def on_live_screen_run_begun(self, _message: LiveScreen.RunBegun) -> None:
        """Let what the last run gave make way for the next one; what is being typed stays."""
        if isinstance(self.screen, ResultScreen):
            self.screen.action_back()

    def _prepare(self, next_run: NextRun | None) -> None:
        if next_run is not None and self._live is not None:
            self._live.prepare(next_run.card)

    # How a session ends

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002  Textual's
        """Return whether a key means something now: only from a live screen there is a way back."""
        return action != "loggers" or self._live is not None

    async def action_loggers(self) -> None:
        """Close the session and go back to the first screen."""
        await self._end_session()

    async def action_quit(self) -> None:
        """Leave; a running recording is stopped and saved first, while the live screen says so."""
        self._quitting = True
        await self._end_session()

    async def _end_session(self) -> None:
        if self._ending:
            return
        self._ending = True
        below = self._live or self._first
        while self.screen is not below:
            await self.pop_screen()
        below.leave()
        self.run_worker(self._close, thread=True, name="close the session")

    def _close(self) -> None:
        """Seal and let go, in a thread of its own: disks may take seconds."""
        failure = ""
        try:
            self._workbench.stop_looking()
            self.sitting.close()
        except CaptureError as error:
            failure = str(error)
        self.call_later(self._go_on, failure)

    async def _go_on(self, failure: str) -> None:
        """Leave the program, or show the first screen again, which then looks around."""
        self._ending = False
        if self._quitting:
            self._first.leave()
            message = Text(plain(failure)) if failure else None
            self.exit(self.sitting.last_snapshot, 1 if failure else 0, message)
            return
        self._live = None
        while self.screen is not self._first:
            await self.pop_screen()
        farewell = self.sitting.take_leave()
        self._first.say(failure or farewell)
        self._first.look_around()

    # What all screens share

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """Yield every key of the screen as a command of the palette."""
        for node, binding, _enabled, tooltip in keys_of(screen):
            yield SystemCommand(
                f"{binding.description} ({self.get_key_display(binding)})",
                tooltip or binding.tooltip,
                partial(self.run_action, binding.action, node),
            )

    def action_cycle_theme(self) -> None:
        """Take the next theme."""
        self.theme = theme_after(self.theme)

    def action_help(self) -> None:
        """Open the help: the keys of this screen, and what it shows as its SECTIONS say."""
        keys = [
            (self.get_key_display(active.binding), active.binding.tooltip) for active in keys_of(self.screen)
        ]
        self.push_screen(HelpScreen(keys, getattr(self.screen, "SECTIONS", LIVE)))
