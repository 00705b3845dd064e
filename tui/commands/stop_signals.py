"""Signals that ask a program to end."""

from __future__ import annotations

import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextmanager
def on_stop_signal(act: Callable[[], object]) -> Iterator[None]:
    """Let Ctrl-C, a shutdown and a closed terminal end a run well: they call `act` instead of killing it."""
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), lambda *_: act()) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
