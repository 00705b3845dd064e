"""Backfill: which samples to ask for again, how often, and when to give up. The caller has the clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from firmware_protocol.wire import MAX_RESEND_SAMPLES

#: Asked this often without one sample of the gap's beginning, the line or the logger will not give it.
MOST_ATTEMPTS: Final = 8
#: Nothing waits longer than this for the same sample while the link is there.
LONGEST_WAIT_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask the logger for `count` samples from `first_index` on."""

    first_index: int
    count: int


@dataclass(frozen=True, slots=True)
class GiveUp:
    """Declare what is missing before `end_index` as lost, for the reason `why`."""

    end_index: int
    why: str


class Backfill:
    """Follows the earliest missing samples of a run. Each sample that comes begins the counting anew.

    How a question ended, answered, refused or left alone, does not matter: what counts is whether the gap's
    beginning came.
    """

    def __init__(self) -> None:
        self._first_index: int | None = None
        self._asked = 0
        self._since = 0.0

    def next_step(self, missing: tuple[int, int] | None, now: float) -> Ask | GiveUp | None:
        """Return what to do about `missing`, given that no question is under way; None where all is well."""
        if missing is None:
            self._first_index = None
            return None
        first_index, end_index = missing
        if first_index != self._first_index:
            self._first_index, self._asked, self._since = first_index, 0, now
        if self._asked >= MOST_ATTEMPTS or now - self._since > LONGEST_WAIT_S:
            return GiveUp(end_index, f"asked for {self._asked} times in vain")
        self._asked += 1
        return Ask(first_index, min(end_index - first_index, MAX_RESEND_SAMPLES))

    def link_lost(self) -> None:
        """Count anew: time without a link is not time of waiting for an answer."""
        self._first_index = None
