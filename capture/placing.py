"""Placing: where a frame of samples belongs on the line of whole indices and ticks of its segment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from firmware_protocol.counters import unwrap

if TYPE_CHECKING:
    from firmware_protocol.messages import Samples

#: A tick that lies further than this from where its index puts it belongs to a frame that cannot be true.
TICK_TOLERANCE_US: Final = 500_000
#: By how much a logger's sampling may differ from its nominal interval, so that across a long gap the bound
#: grows: a microcontroller's own RC oscillator keeps within 2 %, a crystal far better. Common practice, no
#: source.
INTERVAL_TOLERANCE: Final = 0.02
#: The tick wraps after 71.6 minutes: with a wider bound than this it would vouch for nothing.
MOST_TOLERANCE_US: Final = 60_000_000


@dataclass(frozen=True, slots=True)
class Position:
    """Where a stream stands: the sample that comes next and, once known, its tick by the nominal interval.

    `shift_us` lies between the logger's own clock and the ticks of the run: after a restart the logger's
    clock begins anew, the run's goes on.
    """

    boot_id: int
    next_index: int | None = None
    next_tick_us: int | None = None
    shift_us: int = 0


class Placer:
    """Makes the wrapping counters of one boot's frames whole, and refuses frames that cannot be true.

    With `first_tick_us` the first frame is put there, and the logger's clock shifted to fit.
    """

    def __init__(self, position: Position, interval_ns: int, first_tick_us: int | None = None) -> None:
        self.position = position
        self._interval_ns = interval_ns
        self._first_tick_us = first_tick_us

    def place(self, frame: Samples) -> tuple[int, int] | None:
        """Return the whole index and tick of the frame's first row, None where the frame cannot be true."""
        at = self.position
        if frame.boot_tag != at.boot_id & 0xFF:
            return None
        index = self.whole(frame.first_index)
        if index < 0:
            return None
        if at.next_index is None or at.next_tick_us is None:
            return index, frame.tick_us + self._shift_us(frame)
        distance_us = (index - at.next_index) * self._interval_ns // 1000
        expected = at.next_tick_us + distance_us - at.shift_us
        tick = unwrap(frame.tick_us, expected)
        tolerance_us = TICK_TOLERANCE_US + INTERVAL_TOLERANCE * abs(distance_us)
        if abs(tick - expected) > min(tolerance_us, MOST_TOLERANCE_US):
            return None
        return index, tick + at.shift_us

    def accept(self, frame: Samples, index: int, tick_us: int) -> None:
        """Move on behind `frame` where it is the newest; an older one changes nothing."""
        at = self.position
        end = index + frame.count
        if at.next_index is None or at.next_tick_us is None or end > at.next_index:
            following_tick = tick_us + frame.count * self._interval_ns // 1000
            self.position = Position(at.boot_id, end, following_tick, self._shift_us(frame))

    def move_to(self, index: int) -> None:
        """Expect the sample `index` next, where that lies ahead; its tick follows by the nominal interval."""
        at = self.position
        if at.next_index is None or index > at.next_index:
            self.position = Position(at.boot_id, index, self.tick_of(index), at.shift_us)

    def whole(self, counted: int) -> int:
        """Return the whole index that `counted` (modulo 2**32) means, near where the stream stands."""
        near = self.position.next_index
        return counted if near is None else unwrap(counted, near)

    def tick_of(self, index: int) -> int | None:
        """Return the tick of the sample `index` by the nominal interval, None while no tick is known."""
        at = self.position
        if at.next_index is None or at.next_tick_us is None:
            return None
        return at.next_tick_us + (index - at.next_index) * self._interval_ns // 1000

    def _shift_us(self, frame: Samples) -> int:
        """Return the shift of this boot's clock; its first frame decides it."""
        if self._first_tick_us is None or self.position.next_tick_us is not None:
            return self.position.shift_us
        return self._first_tick_us - frame.tick_us
