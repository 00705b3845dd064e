"""The reader thread: bytes from a link into a bounded queue, so that nothing else holds up the link."""

from __future__ import annotations

import queue
import threading
import time
from typing import TYPE_CHECKING, Final

from capture.errors import LinkError, LinkLost

if TYPE_CHECKING:
    from capture.links.address import Link

QUEUE_CHUNKS: Final = 64


class Reader:
    """Reads `link` until closed. When its queue is full it stops reading: the logger's buffer absorbs."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._queue: queue.Queue[tuple[int, bytes] | LinkError] = queue.Queue(QUEUE_CHUNKS)
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._work, name="reader", daemon=True)
        self._thread.start()

    def take(self, timeout_s: float) -> tuple[int, bytes] | None:
        """Return the next bytes and the host's time (ns) they came at, or None; raise LinkError when lost."""
        try:
            item = self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None
        if isinstance(item, LinkError):
            raise item
        return item

    def close(self) -> None:
        """Stop reading; returns when the thread has ended or does not answer for a second."""
        self._closing.set()
        self._thread.join(1.0)

    def _work(self) -> None:
        while not self._closing.is_set():
            try:
                received = self._link.read()
            except LinkError as error:
                self._put(error)
                return
            except Exception as error:  # noqa: BLE001  a bug in a link must be told, not end in silence
                self._put(LinkLost(f"failed ({error!r})", self._link.address, "Connect again."))
                return
            if received:
                self._put((time.time_ns(), received))

    def _put(self, item: tuple[int, bytes] | LinkError) -> None:
        while not self._closing.is_set():
            try:
                self._queue.put(item, timeout=0.1)
            except queue.Full:
                continue
            return
