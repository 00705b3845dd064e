"""The keys that work on every screen, and the keys of a screen that mean something now."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from textual.binding import Binding

if TYPE_CHECKING:
    from textual.binding import ActiveBinding, BindingType
    from textual.screen import Screen

KEYS_EVERYWHERE: Final[list[BindingType]] = [
    Binding(
        "escape",
        "loggers",
        "Back",
        key_display="esc",
        id="app.loggers",
        tooltip="Back to loggers and recordings; a recording is stopped and saved first",
    ),
    Binding(
        "t",
        "cycle_theme",
        "Theme",
        show=False,
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


def keys_of(screen: Screen[object]) -> list[ActiveBinding]:
    """Return the keys of `screen`, its own before those of the app; several keys of one action once."""
    keys: dict[str, ActiveBinding] = {}
    for active in screen.active_bindings.values():
        if active.enabled and active.binding.id:
            keys.setdefault(active.binding.id, active)
    return sorted(keys.values(), key=lambda active: active.node is screen.app)
