"""The pre-trigger: the latest seconds of a stream that is only watched, ready to become a recording's start.

It keeps what came, bytes and all, so that a recording that begins in the past is journalled and decoded just
as one that was begun in time.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from capture.engine.conversation import Turn
    from capture.placing import Position

PRE_TRIGGER_US: Final = 4_000_000
#: Of a stream that is too fast, or that carries no samples, less time is kept.
MOST_BYTES: Final = 1 << 20
MOST_TURNS: Final = 512


@dataclass(frozen=True, slots=True)
class Beginning:
    """Where the stream stood before the first of `turns`, and what came since then."""

    at: Position
    turns: tuple[Turn, ...]


class PreTrigger:
    """Keeps the turns of the latest seconds, each with where the stream stood before it."""

    def __init__(self) -> None:
        self._held: deque[tuple[Position, Turn]] = deque()
        self._bytes = 0

    def feed(self, at: Position, turn: Turn, now_us: int | None) -> None:
        """Take a turn that came when the stream stood `at`; `now_us` is its newest tick."""
        self._held.append((at, turn))
        self._bytes += len(turn.received)
        oldest_us = None if now_us is None else now_us - PRE_TRIGGER_US
        while len(self._held) > 1 and self._spares_first(oldest_us):
            _, first = self._held.popleft()
            self._bytes -= len(first.received)

    def _spares_first(self, oldest_us: int | None) -> bool:
        second_us = self._held[1][0].next_tick_us
        # before the first sample there is no tick, and nothing worth keeping
        too_old = second_us is None or (oldest_us is not None and second_us <= oldest_us)
        return too_old or self._bytes > MOST_BYTES or len(self._held) > MOST_TURNS

    def clear(self) -> None:
        """Forget all: what comes next does not follow from it."""
        self._held.clear()
        self._bytes = 0

    def beginning(self, idle_from_us: int | None = None) -> Beginning | None:
        """Return what a recording that begins now would begin with; None before the first turn.

        What came up to `idle_from_us` belongs to an earlier load and is left out.
        """
        held = [(at, turn) for at, turn in self._held if _is_behind(at, idle_from_us)]
        return Beginning(held[0][0], tuple(turn for _, turn in held)) if held else None


def _is_behind(at: Position, idle_from_us: int | None) -> bool:
    return idle_from_us is None or at.next_tick_us is None or at.next_tick_us > idle_from_us
