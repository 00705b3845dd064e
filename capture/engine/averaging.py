"""What a logger's channels show over some seconds, as it gives them: what a calibration is made of."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from capture.engine.conversation import Conversation
from capture.errors import LinkLost
from capture.path import LoggerDescription, SamplePath
from capture.plateau import Plateau, plateau_of
from firmware_protocol.host_link import Described

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType

    from capture.blocks import SampleBlock
    from capture.links.address import Link

_TURN_S: Final = 0.05
_ANSWERS_WITHIN_S: Final = 10.0
#: A logger whose time stands still would be waited for for ever.
_PATIENCE: Final = 5.0
_CATCH_UP_S: Final = 0.3


class ListeningLogger:
    """A logger that streams and is only listened to; use as a context: it is stopped on leaving."""

    def __init__(self, link: Link) -> None:
        self._conversation = Conversation(link)
        self._path: SamplePath | None = None
        self._where = link.address

    def __enter__(self) -> Self:
        """Open the link and start the stream; raises LinkError."""
        self._conversation.open()
        give_up = time.monotonic() + _ANSWERS_WITHIN_S
        while self._path is None:
            self._take_turn()
            if time.monotonic() > give_up:
                self._conversation.close()
                raise LinkLost("did not describe itself", self._where, "Check that it is a logger.")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop the stream and let go of the link."""
        self._conversation.close()

    @property
    def logger(self) -> LoggerDescription:
        """Who it is and what its channels are."""
        assert self._path is not None  # noqa: S101  only within the context
        return self._path.logger

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of its channels, in order."""
        assert self._path is not None  # noqa: S101
        return tuple(self._path.decoder.columns)

    def averages(
        self, seconds: float, progress: Callable[[float], None] = lambda _done_s: None
    ) -> dict[str, Plateau]:
        """Return what each channel shows over the next `seconds` of the logger's time.

        A channel without a reading in that time is left out. What came while nobody listened is passed over.
        Raises LinkError where the stream breaks off.
        """
        for blocks in self._windows(seconds, progress):
            found = {name: self._window(blocks, name) for name in blocks[0].columns}
            return {name: plateau for name, plateau in found.items() if plateau is not None}
        return {}

    def wait_for_plateau(
        self,
        column: str,
        seconds: float,
        patience_s: float,
        progress: Callable[[float], None] = lambda _done_s: None,
    ) -> Plateau | None:
        """Return the first `seconds` in which a channel holds still, or the last in which it did not.

        It is looked at again and again until `patience_s` of the logger's time are over. None where it gave
        no reading. Raises LinkError where the stream breaks off.
        """
        found, begun_us = None, None
        for blocks in self._windows(seconds, progress):
            found = self._window(blocks, column)
            begun_us = int(blocks[0].ticks_us[0]) if begun_us is None else begun_us
            waited_s = (int(blocks[-1].ticks_us[-1]) - begun_us) * 1e-6
            if (found is not None and found.why_not is None) or waited_s >= patience_s:
                break
        return found

    def _windows(self, seconds: float, progress: Callable[[float], None]) -> Iterator[list[SampleBlock]]:
        """Yield the latest `seconds` of the stream, from the first whole ones on, again with each turn."""
        self._catch_up()
        blocks: list[SampleBlock] = []
        give_up = time.monotonic() + _ANSWERS_WITHIN_S + _PATIENCE * seconds
        while True:
            came = self._take_turn()
            blocks += came
            if came:
                span_s = (int(blocks[-1].ticks_us[-1]) - int(blocks[0].ticks_us[0])) * 1e-6
                progress(min(span_s, seconds))
                if span_s >= seconds:
                    blocks = _latest(blocks, seconds)
                    yield blocks
                    give_up = time.monotonic() + _ANSWERS_WITHIN_S + _PATIENCE * seconds
            if time.monotonic() > give_up:
                raise LinkLost("sends no samples", self._where, "Check the logger and its cable.")

    def _window(self, blocks: list[SampleBlock], column: str) -> Plateau | None:
        """Return what a channel shows in these blocks."""
        assert self._path is not None  # noqa: S101
        seconds = np.concatenate([block.ticks_us for block in blocks]) * 1e-6
        readings = np.concatenate([block.columns[column] for block in blocks]).astype(np.float64)
        clipped = [block.clipped.get(column, np.zeros(len(block), bool)) for block in blocks]
        return plateau_of(seconds, readings, np.concatenate(clipped), self._path.decoder.steps[column])

    def _catch_up(self) -> None:
        """Take what waits: a person at the keyboard thinks for minutes, and the stream runs on meanwhile."""
        give_up = time.monotonic() + _CATCH_UP_S
        while time.monotonic() < give_up:
            while self._take_turn(0.0):
                pass
            time.sleep(_TURN_S)

    def _take_turn(self, timeout_s: float = _TURN_S) -> list[SampleBlock]:
        """Return the samples that a turn brought."""
        turn = self._conversation.turn(timeout_s)
        for event in turn.events:
            if isinstance(event, Described) and self._path is None:
                logger = LoggerDescription(event.identity, event.channels, self._where)
                self._path = SamplePath(logger)
                self._conversation.start()
        if turn.failure is not None:
            raise turn.failure
        return [] if self._path is None else self._path.receive(turn.events, turn.host_ns).fresh


def _latest(blocks: list[SampleBlock], seconds: float) -> list[SampleBlock]:
    """Return the last `seconds` of blocks that follow one another."""
    from_us = int(blocks[-1].ticks_us[-1]) - seconds * 1e6
    kept = [block for block in blocks if block.ticks_us[-1] >= from_us]
    first = int(np.searchsorted(kept[0].ticks_us, from_us))
    return [kept[0].part(first, len(kept[0])), *kept[1:]]
