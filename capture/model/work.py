"""The work: what the operator does with trigger and feed, phase by phase, and what the wood asks for.

The specific cutting energy says how much work a square millimetre of section takes; the feed force sets how
much section a radian of the spindle takes off. So a slower saw takes longer over the same limb.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

KINDS: Final = ("cuts", "stall", "free_run", "run_down", "sag_test")

#: Seasoned ash across the grain with an 8 mm kerf, in J per mm^2 of section. Invented.
CUTTING_ENERGY_J_MM2: Final = 0.42
#: Section that a radian of the spindle takes off, per newton of feed, in mm^2/(rad N). Invented.
BITE_MM2_RAD_N: Final = 0.13
#: Torque of the chain in the wood per newton of feed, in N.m/N.
TORQUE_NM_N: Final = CUTTING_ENERGY_J_MM2 * BITE_MM2_RAD_N
CONTACT_RAMP_S: Final = 0.18
TRIGGER_RAMP_S: Final = 0.10
FIRST_REST_S: Final = 3.0
LONGEST_CUT_S: Final = 30.0


@dataclass(frozen=True, slots=True)
class Phase:
    """What the operator holds on to for `duration_s`, or until `section_mm2` are through.

    `locked` is a spindle that cannot turn. `name` is one of rest, free run, cut, run-out, stall, load.
    """

    name: str
    duration_s: float
    trigger: float = 0.0
    feed_n: float = 0.0
    section_mm2: float = math.inf
    locked: bool = False


def phases(kind: str, seed: int, heavy: float = 1.0) -> Iterator[Phase]:
    """Yield what the operator does, for ever; `heavy` is a factor on the feed, as of a pinched bar."""
    chance = random.Random(seed)  # noqa: S311  a scenario, no secret
    yield Phase("rest", FIRST_REST_S)
    yield from {
        "cuts": _cuts,
        "stall": _stalls,
        "free_run": _free_runs,
        "run_down": _run_down,
        "sag_test": _sag_test,
    }[kind](chance, heavy)


def _cuts(chance: random.Random, heavy: float) -> Iterator[Phase]:
    while True:
        diameter_mm = chance.uniform(82.0, 104.0)
        feed_n = heavy * chance.uniform(36.0, 50.0)
        yield Phase("free run", chance.uniform(0.55, 0.75), 1.0)
        yield Phase("cut", LONGEST_CUT_S, 1.0, feed_n, math.pi / 4 * diameter_mm**2)
        yield Phase("run-out", 0.35, 1.0)
        yield Phase("rest", chance.uniform(2.2, 3.6))


def _stalls(chance: random.Random, _heavy: float) -> Iterator[Phase]:
    while True:
        yield Phase("stall", chance.uniform(0.7, 0.9), 1.0, locked=True)
        yield Phase("rest", chance.uniform(3.5, 4.5))


def _free_runs(chance: random.Random, _heavy: float) -> Iterator[Phase]:
    while True:
        for trigger in (1.0, 0.5):  # every other time at part trigger: the tool chops
            yield Phase("free run", chance.uniform(2.5, 3.5), trigger)
            yield Phase("rest", chance.uniform(2.5, 3.5))


def _run_down(_chance: random.Random, heavy: float) -> Iterator[Phase]:
    yield Phase("free run", 0.8, 1.0)
    yield Phase("load", math.inf, 1.0, heavy * 40.0)


def _sag_test(_chance: random.Random, heavy: float) -> Iterator[Phase]:
    while True:
        for feed_n in (18.0, 36.0, 54.0):
            yield Phase("load", 12.0, 1.0, heavy * feed_n)
            yield Phase("rest", 20.0)


class Operator:
    """Walks through the phases; the hand on the feed is never quite steady."""

    def __init__(self, kind: str, seed: int, heavy: float = 1.0) -> None:
        self._phases = phases(kind, seed, heavy)
        chance = random.Random(seed + 1)  # noqa: S311
        self._slow, self._fast = chance.uniform(0, 2 * math.pi), chance.uniform(0, 2 * math.pi)
        self.phase = next(self._phases)
        self.since_s = 0.0
        self.cut_mm2 = 0.0

    def next_phase(self, time_s: float) -> Phase:
        """Go on to the next phase at `time_s`; return it."""
        self.phase, self.since_s, self.cut_mm2 = next(self._phases), time_s, 0.0
        return self.phase

    def let_go(self, time_s: float) -> None:
        """Rest for good: the tool does nothing any more."""
        self.phase, self.since_s, self.cut_mm2 = Phase("rest", math.inf), time_s, 0.0

    def is_over(self, time_s: float) -> bool:
        """Return whether the phase has done what it was for."""
        return time_s - self.since_s >= self.phase.duration_s or self.cut_mm2 >= self.phase.section_mm2

    def trigger(self, time_s: float) -> float:
        """Return how far the trigger is pulled, 0 to 1; it is pulled within a tenth of a second."""
        if self.phase.name in {"free run", "stall"}:
            return self.phase.trigger * min(1.0, (time_s - self.since_s) / TRIGGER_RAMP_S)
        return self.phase.trigger

    def feed_n(self, time_s: float) -> float:
        """Return the feed force: it grows within 0.18 s from contact, and swings by some percent."""
        if self.phase.feed_n == 0.0:
            return 0.0
        swing = 0.05 * math.sin(14.5 * time_s + self._slow) + 0.03 * math.sin(44.6 * time_s + self._fast)
        return self.phase.feed_n * (1.0 + swing) * min(1.0, (time_s - self.since_s) / CONTACT_RAMP_S)
