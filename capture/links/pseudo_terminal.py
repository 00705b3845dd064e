"""A virtual rig behind a pseudo-terminal: to everyone else it is a serial port with a logger on it."""

from __future__ import annotations

import os
import select
import threading
from typing import TYPE_CHECKING, Final, Self

from capture.errors import LinkError
from capture.links.virtual import VirtualClock

if TYPE_CHECKING:
    from types import TracebackType

    from capture.model.rig import VirtualRig

TURN_S: Final = 0.005
MOST_BYTES: Final = 4096


class PseudoTerminalLogger:
    """Serves `rig` on a pseudo-terminal in a thread of its own; `path` is the port to open."""

    def __init__(self, rig: VirtualRig, speed: float = 1.0) -> None:
        try:
            import tty

            self._device, self._host = os.openpty()
            tty.setraw(self._host)
        except (ImportError, AttributeError, OSError) as error:
            raise LinkError(
                "this system has no pseudo-terminals", "sim:polesaw", "Run the demo without --serial."
            ) from error
        self.path = os.ttyname(self._host)
        self.rig = rig
        self._clock = VirtualClock(speed)
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="virtual logger", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()

    def unplug(self) -> None:
        """Take the port away, as when a cable is pulled."""
        self._closing.set()
        if self._thread.is_alive():
            self._thread.join()
        for descriptor in (self._device, self._host):
            if descriptor >= 0:
                os.close(descriptor)
        self._device = self._host = -1

    def _serve(self) -> None:
        os.set_blocking(self._device, False)
        unsent = b""
        while not self._closing.is_set():
            readable, _, _ = select.select([self._device], [], [], TURN_S)
            if readable:
                self.rig.receive(os.read(self._device, MOST_BYTES))
            if self.rig.started:
                self._clock.start()
            self.rig.advance_to(self._clock.advance(1.0))
            unsent = unsent or self.rig.outgoing(MOST_BYTES)
            if unsent:
                try:
                    unsent = unsent[os.write(self._device, unsent) :]
                except BlockingIOError:  # nobody reads: the logger's own buffer takes it
                    continue
