"""A load bank on the bench in place of the tool: what it draws, and how somebody switches it.

The bank is told by a `Duty`. A constant current is held whatever the voltage; a resistor draws what the
voltage across it drives. It has no motor: no ripple, no speed, no brake, and no protection of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING, Final

from capture.model.tool import NOTHING, Drawn, Tool
from capture.model.work import RELEASED, STEP_S, Demand

if TYPE_CHECKING:
    from collections.abc import Generator

    from capture.model.stops import Protection
    from capture.model.work import Seen

#: A load that is dropped early lasts for this share of its time; a weak one draws this share of its current.
_EARLY_SHARE: Final = 0.35
_WEAK_SHARE: Final = 0.05
#: Who switches too soon does so after this share of the rest.
_SOON_SHARE: Final = 0.3
_BANK: Final = Tool(ripple=0.0)


@dataclass(frozen=True, slots=True)
class Duty:
    """How a load bank is switched: a rest, then on and off by turns, `repeats` times or for ever.

    It draws `amps`, or has the resistance `ohms`. `before_amps` is what the pack had carried for minutes
    until the life began, so that its voltage still recovers. The mistakes of whoever switches it are told by
    the repeat, counted from 1, that they befall: in `early` the load goes too early, in `weak` it draws a
    twentieth, before `soon` the rest is cut short.
    """

    amps: float = 20.0
    ohms: float | None = None
    rest_s: float = 15.0
    on_s: float = 13.0
    off_s: float = 33.0
    repeats: int | None = None
    before_amps: float = 0.0
    early: int | None = None
    weak: int | None = None
    soon: int | None = None

    def rest_before_s(self, repeat: int) -> float:
        """Return how long the pack rests before a repeat."""
        rest_s = self.rest_s if repeat == 1 else self.off_s
        return rest_s * _SOON_SHARE if repeat == self.soon else rest_s

    def held_s(self, repeat: int) -> float:
        """Return for how long the load of a repeat is on."""
        return self.on_s * _EARLY_SHARE if repeat == self.early else self.on_s

    def share(self, repeat: int) -> float:
        """Return which share of its load the bank draws in a repeat."""
        return _WEAK_SHARE if repeat == self.weak else 1.0

    def script(self) -> Generator[Demand, Seen, None]:
        """Return who switches it: a trigger of 0 is off, above it the share of the load."""
        for repeat in count(1) if self.repeats is None else range(1, self.repeats + 1):
            yield from _for(RELEASED, self.rest_before_s(repeat))
            yield from _for(Demand(self.share(repeat)), self.held_s(repeat))
        while True:
            yield RELEASED


class LoadBank:
    """A load bank behind a pack; it stands in for the tool of a life."""

    tool: Final = _BANK
    spindle_rad_per_s: Final = 0.0
    acted: Protection | None = None

    def __init__(self, duty: Duty) -> None:
        self._duty = duty

    def step(self, demand: Demand, source_v: float, source_ohm: float) -> Drawn:
        """Live one step behind a source; no voltage stands for a pack that is switched off."""
        if source_v <= 0.0 or demand.trigger <= 0.0:
            return NOTHING
        ohms = self._duty.ohms
        if ohms is None:
            return Drawn(self._duty.amps * demand.trigger, 1.0, 0.0)
        return Drawn(source_v / (source_ohm + ohms / demand.trigger), 1.0, 0.0)


def _for(demand: Demand, duration_s: float) -> Generator[Demand, Seen, None]:
    for _ in range(max(1, round(duration_s / STEP_S))):
        yield demand
