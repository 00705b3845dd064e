"""Arming: a load that sets in starts a recording, and a while after it has gone the recording ends.

The tail is part of the measurement: a pack recovers for a minute or so. Loads are told as the cuts are: by
the current, with their hysteresis and hold; all by the logger's clock.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.folds.load_spell import LEAST_LOAD_US, LoadSpell, update

if TYPE_CHECKING:
    from capture.blocks import SampleBlock

#: How long a recording goes on after the load has gone, for the pack to recover. Common practice, no source.
TAIL_S: Final = 60.0


class Arming:
    """Follows the load; `armed` is what the operator wants."""

    def __init__(self, *, armed: bool, tail_s: float = TAIL_S) -> None:
        self.armed = armed
        self._tail_us = round(tail_s * 1e6)
        self._spell = LoadSpell()
        self._not_before_us: int | None = None

    def feed(self, block: SampleBlock) -> None:
        """Take samples as they come; those older than the newest tell nothing new."""
        now_us = self._spell.now_us
        if "current_a" in block.columns and (now_us is None or int(block.ticks_us[-1]) > now_us):
            self._spell, _ = update(self._spell, block)

    def arm(self, *, armed: bool) -> None:
        """Let loads that set in from now on start a recording, or not."""
        self.armed = armed
        self._not_before_us = self._spell.now_us

    @property
    def load_set_in(self) -> bool:
        """Whether a load has set in that is to start a recording."""
        began_us = self._spell.began_us
        if not self.armed or began_us is None:
            return False
        is_new = self._not_before_us is None or began_us > self._not_before_us
        return is_new and self._spell.lasted_us >= LEAST_LOAD_US

    @property
    def idle_from_us(self) -> int | None:
        """The last tick of the load before the newest one, None where there was none."""
        return self._spell.idle_from_us

    def started(self) -> None:
        """Take note that the load of the moment has its recording: only the next one starts another."""
        self._not_before_us = self._spell.now_us

    @property
    def ends_in_s(self) -> float | None:
        """Seconds until the tail is over, None while there is load."""
        spell = self._spell
        if spell.latest_us is None or spell.now_us is None or spell.is_there:
            return None
        return max(0.0, (spell.latest_us + self._tail_us - spell.now_us) * 1e-6)
