"""The screens from the first to the last, and what is said when they have gone."""

from __future__ import annotations

import os
import sys
import threading
import time
from typing import TYPE_CHECKING, Final

from tui.commands.stop_signals import on_stop_signal
from tui.output import say

if TYPE_CHECKING:
    from pathlib import Path

    from capture.bench import Bench
    from tui.app import SaglineApp
    from tui.session_controls import SessionControls

SWITCH_INTERVAL_S: Final = 0.0005
SCREEN_GOES_WITHIN_S: Final = 5.0


def run_on_screen(folder: Path, bench: Bench, session: SessionControls | None = None) -> int:
    """Show the screens until the operator leaves; return the exit status.

    `bench` is what is known of packs. With a `session`, opened here, its live screen comes first.
    """
    from tui.app import SaglineApp
    from tui.local_workbench import LocalWorkbench

    sys.setswitchinterval(SWITCH_INTERVAL_S)  # keeps the reader in time beside a drawing screen
    if session is not None:
        session.open()
    app = SaglineApp(LocalWorkbench(folder, bench), session)
    try:
        with on_stop_signal(lambda: _leave(app)):
            app.run()
    finally:
        app.sitting.close()
    return _tell(app)


def _tell(app: SaglineApp) -> int:
    """Say what was saved and what went wrong; return the exit status."""
    saved, interrupted = app.sitting.saved, app.sitting.interrupted
    for recording in saved:
        say(f"saved {recording.path}: {recording.samples} samples")
    if saved:
        say(f"its figures: sagline summary {saved[-1].path}")
    for recording in interrupted:
        say(f"sagline: {recording.message}")
    if interrupted:
        return 1
    if app.sitting.failure:
        say(f"sagline: {app.sitting.failure}")
        return 1
    return app.return_code or 0


def _leave(app: SaglineApp) -> None:
    """Ask the screen to save and go; where its terminal has gone it may never do so, saving must."""
    app.call_later(app.action_quit)
    threading.Thread(target=_insist, args=(app,), name="leaving", daemon=True).start()


def _insist(app: SaglineApp) -> None:
    """Save, give the screen a moment to go, and end the program."""
    app.sitting.close()
    time.sleep(SCREEN_GOES_WITHIN_S)
    os._exit(0)
