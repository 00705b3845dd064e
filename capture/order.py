"""Order: frames in, frames that continue the run out, each sample once; what is missing is declared a gap.

Version 0 of the protocol cannot ask for samples again: a gap is declared as soon as a later frame shows it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Final

from firmware_protocol.counters import unwrap

if TYPE_CHECKING:
    from firmware_protocol.messages import Samples

#: A tick that lies further than this from where its index puts it belongs to a frame that cannot be true.
TICK_TOLERANCE_US: Final = 500_000


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples that never came: `first_index` up to, not including, `end_index` of a segment.

    The ticks are those of the samples on either side, by the nominal interval where there is none; None
    where the gap came before any tick was known.
    """

    segment: int
    first_index: int
    end_index: int
    start_tick_us: int | None
    end_tick_us: int | None


@dataclass(frozen=True, slots=True)
class Position:
    """Where a stream stands: the sample that comes next and, once known, its tick by the nominal interval."""

    boot_id: int
    next_index: int | None = None
    next_tick_us: int | None = None


class Fit(Enum):
    """How a frame fits the stream."""

    CONTINUES = "continues"
    AFTER_GAP = "after a gap"
    REPEATED = "seen before"
    FOREIGN = "of another boot, or impossible"


@dataclass(slots=True)
class SampleAccount:
    """What became of the samples: rows delivered, lost, and frames that were of no use."""

    delivered: int = 0
    lost: int = 0
    rejected_frames: int = 0
    repeated_frames: int = 0
    gaps: list[Gap] = field(default_factory=list)


class Sequence:
    """Places the frames of one segment on the line of whole sample indices and ticks."""

    def __init__(self, position: Position, interval_ns: int, segment: int, account: SampleAccount) -> None:
        self.position = position
        self.segment = segment
        self.account = account
        self._interval_ns = interval_ns
        self._paused = False

    def place(self, frame: Samples) -> tuple[Fit, int, int]:
        """Return how `frame` fits, and the whole index and tick of its first row."""
        at = self.position
        if frame.boot_tag != at.boot_id & 0xFF:
            return Fit.FOREIGN, 0, 0
        index = frame.first_index if at.next_index is None else unwrap(frame.first_index, at.next_index)
        tick = frame.tick_us
        if at.next_tick_us is not None and at.next_index is not None:
            expected = at.next_tick_us + (index - at.next_index) * self._interval_ns // 1000
            tick = unwrap(frame.tick_us, expected)
            if abs(tick - expected) > TICK_TOLERANCE_US:
                return Fit.FOREIGN, index, tick
        if at.next_index is None or index == at.next_index:
            return Fit.CONTINUES, index, tick
        return (Fit.REPEATED if index < at.next_index else Fit.AFTER_GAP), index, tick

    def accept(self, frame: Samples, index: int, tick_us: int) -> None:
        """Move on behind `frame`, declaring what it skipped as lost."""
        self._declare_until(index, tick_us)
        following_tick = tick_us + frame.count * self._interval_ns // 1000
        self.position = Position(self.position.boot_id, index + frame.count, following_tick)

    def stopped_at(self, counted: int, no_further_than: int | None) -> None:
        """Take note that `counted` (modulo 2**32) is the index after the logger's last sample."""
        at = self.position
        if at.next_index is not None:
            end = unwrap(counted, at.next_index)
            self.end_at(end if no_further_than is None else min(end, no_further_than))
        self._paused = True

    def end_at(self, end: int) -> None:
        """Declare what is missing before the whole index `end` as lost, and move there."""
        self._declare_until(end, self._tick_of(end))
        self._move_to(end)

    def started_at(self, counted: int) -> bool:
        """Take note that the logger's stream begins at `counted`; return whether it had paused before."""
        at = self.position
        if at.next_index is None:
            self.position = Position(at.boot_id, counted)
            return False
        if not self._paused:
            return False  # a repeated start of a running stream changes nothing
        self._paused = False
        start = max(unwrap(counted, at.next_index), at.next_index)
        self._move_to(start)
        return True

    def _declare_until(self, end: int, end_tick_us: int | None) -> None:
        start, next_tick = self.position.next_index, self.position.next_tick_us
        if start is None or end <= start:
            return
        before = None if next_tick is None else next_tick - self._interval_ns // 1000
        self.account.gaps.append(Gap(self.segment, start, end, before, end_tick_us))
        self.account.lost += end - start

    def _move_to(self, index: int) -> None:
        at = self.position
        if at.next_index is not None and index > at.next_index:
            self.position = Position(at.boot_id, index, self._tick_of(index))

    def _tick_of(self, index: int) -> int | None:
        """Return the tick of the coming sample `index` by the nominal interval."""
        at = self.position
        if at.next_index is None or at.next_tick_us is None:
            return None
        return at.next_tick_us + (index - at.next_index) * self._interval_ns // 1000
