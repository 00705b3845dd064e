"""Keeps what was typed after a run, one writing after the other, and holds on to what could not be kept."""

from __future__ import annotations

from asyncio import Lock, to_thread
from typing import TYPE_CHECKING

from capture.errors import CaptureError
from capture.storage.amendments import Amendments

if TYPE_CHECKING:
    from collections.abc import Callable


class Keeping:
    """`keep_with` writes amendments and may take seconds: it is called in a thread."""

    def __init__(self, keep_with: Callable[[Amendments], None]) -> None:
        self._keep_with = keep_with
        self._unkept = Amendments()
        self._writing = Lock()

    @property
    def is_behind(self) -> bool:
        """Whether something is not kept yet."""
        return bool(self._unkept)

    def add(self, added: Amendments) -> None:
        """Take what was typed, to be kept with the next `keep`."""
        self._unkept = self._unkept.plus(added)

    async def keep(self) -> str | None:
        """Keep all that is not kept yet; return why it could not be, None where nothing is left."""
        async with self._writing:
            writing = self._unkept
            if not writing:
                return None
            self._unkept = Amendments()
            try:
                await to_thread(self._keep_with, writing)
            except CaptureError as error:
                self._unkept = writing.plus(self._unkept)
                return str(error)
            return None
