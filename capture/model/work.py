"""The work: what an operator does with the saw, written as scripts that see the tool and demand of it.

A script is a generator, one turn a step of `STEP_S`: it yields what hand and work ask of the tool and is
sent what the operator sees of it. So a cut ends when the limb is severed, which a slower saw does later.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from itertools import count
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Generator

STEP_S: Final = 0.002
FIRST_REST_S: Final = 3.0
_PATIENCE_S: Final = 0.5  # until the operator believes that the tool has stopped
_PRESS_S: Final = 0.18  # from contact to the full feed force

#: The invented saw: sprocket, and how much of the feed force acts along the chain.
SPROCKET_RADIUS_M: Final = 0.020
FORCE_RATIO: Final = 1.3
#: Work to sever a square metre: 45 J/cm3 of seasoned ash in a kerf of 6 mm; of the usual size, from memory.
SEVERING_J_PER_M2: Final = 45e6 * 0.006

#: Chord of a round limb by its diameter against the share of its area that is cut, in steps of 1/256.
_DEPTHS: Final = np.linspace(0.0, math.pi, 2001)
_CHORDS: Final[tuple[float, ...]] = tuple(
    np.interp(
        np.linspace(0, 1, 257), (_DEPTHS - np.sin(_DEPTHS) * np.cos(_DEPTHS)) / math.pi, np.sin(_DEPTHS)
    ).tolist()
)


class WorkKind(StrEnum):
    """What the operator does, in the words of an address."""

    CUTS = "cuts"
    STALL = "stall"
    FREE_RUN = "free_run"
    RUN_DOWN = "run_down"
    SAG_TEST = "sag_test"


class Demand(NamedTuple):
    """What hand and work ask of the tool: trigger (0 to 1), torque at the spindle, feed force."""

    trigger: float
    load_nm: float = 0.0
    force_n: float = 0.0


class Seen(NamedTuple):
    """What the operator sees after a step: the time and the speed of the spindle."""

    time_s: float
    speed_rad_per_s: float


@dataclass(frozen=True, slots=True)
class Cut:
    """One go at a limb: trigger pulled, chain in contact, limb fallen, trigger released.

    `severed_s` is None where the saw stopped in the limb; the next cut goes on in it. `severed_m2` is the
    area of this go.
    """

    triggered_s: float
    contact_s: float
    severed_s: float | None
    released_s: float
    diameter_m: float
    severed_m2: float


RELEASED: Final = Demand(0.0)
PULLED: Final = Demand(1.0)
LOCKED: Final = Demand(1.0, load_nm=math.inf)


def script_of(
    kind: WorkKind, random: np.random.Generator, feed_factor: float, cuts: list[Cut]
) -> Generator[Demand, Seen, None]:
    """Return the script of a kind of work, for ever; each go at a limb is appended to `cuts`."""
    match kind:
        case WorkKind.CUTS:
            return _cut_limbs(random, feed_factor, cuts)
        case WorkKind.STALL:
            return _stall(random)
        case WorkKind.FREE_RUN:
            return _free_run(random)
        case WorkKind.RUN_DOWN:
            return _run_down(random, feed_factor)
        case WorkKind.SAG_TEST:
            return _sag_test()


def _hold(demand: Demand, duration_s: float) -> Generator[Demand, Seen, Seen]:
    """Demand the same for some time; return what was seen at its end."""
    for _ in range(max(1, round(duration_s / STEP_S)) - 1):
        yield demand
    return (yield demand)


def _cut_limbs(
    random: np.random.Generator, feed_factor: float, cuts: list[Cut]
) -> Generator[Demand, Seen, None]:
    seen = yield from _hold(RELEASED, FIRST_REST_S)
    while True:
        limb = _Limb.drawn(random, feed_factor)
        severed_s = None
        while severed_s is None:
            triggered_s, cut_before_m2 = seen.time_s, limb.cut_m2
            seen = yield from _hold(PULLED, limb.approach_s)
            contact_s = seen.time_s
            seen = yield from limb.cut(seen)
            if limb.cut_m2 >= limb.area_m2:
                severed_s = seen.time_s
                seen = yield from _hold(PULLED, limb.leave_s)
            severed_m2 = limb.cut_m2 - cut_before_m2
            cuts.append(Cut(triggered_s, contact_s, severed_s, seen.time_s, limb.diameter_m, severed_m2))
            seen = yield from _hold(RELEASED, float(random.uniform(2.0, 4.0)))


@dataclass(slots=True)
class _Limb:
    """A round limb under the saw, some of it cut."""

    diameter_m: float
    feed_n: float
    approach_s: float
    leave_s: float
    phases: tuple[float, float]
    cut_m2: float = 0.0

    @classmethod
    def drawn(cls, random: np.random.Generator, feed_factor: float) -> _Limb:
        """Return a limb and the way an operator goes at it."""
        diameter_m, feed_n, approach_s, leave_s, *phases = random.uniform(
            (0.09, 60.0, 0.5, 0.25, 0.0, 0.0), (0.12, 88.0, 0.8, 0.45, math.tau, math.tau)
        ).tolist()
        return cls(diameter_m, feed_factor * feed_n, approach_s, leave_s, (phases[0], phases[1]))

    @property
    def area_m2(self) -> float:
        """The whole section."""
        return math.pi / 4 * self.diameter_m**2

    def cut(self, seen: Seen) -> Generator[Demand, Seen, Seen]:
        """Press the running saw against the limb until it falls or the saw stands still."""
        area_m2, still_s = self.area_m2, 0.0
        for step in count():
            force_n = self._force(step * STEP_S, self.cut_m2 / area_m2)
            chain_n = FORCE_RATIO * force_n
            seen = yield Demand(1.0, chain_n * SPROCKET_RADIUS_M, force_n)
            self.cut_m2 += chain_n * seen.speed_rad_per_s * SPROCKET_RADIUS_M * STEP_S / SEVERING_J_PER_M2
            still_s = 0.0 if seen.speed_rad_per_s > 0.0 else still_s + STEP_S
            if self.cut_m2 >= area_m2 or still_s > _PATIENCE_S:
                break
        return seen

    def _force(self, since_contact_s: float, cut_share: float) -> float:
        """Return the feed force: growing at contact, eased where the chord is short, never quite steady."""
        slow, quick = self.phases
        wander = math.sin(14.5 * since_contact_s + slow) + 0.6 * math.sin(44.6 * since_contact_s + quick)
        chord = _CHORDS[int(256 * cut_share)]
        pressed = min(1.0, since_contact_s / _PRESS_S)
        return self.feed_n * pressed * (0.6 + 0.4 * chord) * (1.0 + 0.05 * wander)


def _stall(random: np.random.Generator) -> Generator[Demand, Seen, None]:
    yield from _hold(RELEASED, FIRST_REST_S)
    while True:
        yield from _hold(LOCKED, float(random.uniform(0.4, 0.7)))
        yield from _hold(RELEASED, float(random.uniform(5.0, 8.0)))


def _free_run(random: np.random.Generator) -> Generator[Demand, Seen, None]:
    yield from _hold(RELEASED, FIRST_REST_S)
    while True:
        for trigger in (1.0, 0.75, 0.5):
            yield from _hold(Demand(trigger), float(random.uniform(3.0, 5.0)))
            yield from _hold(RELEASED, float(random.uniform(2.0, 4.0)))


def _run_down(random: np.random.Generator, feed_factor: float) -> Generator[Demand, Seen, None]:
    steady = Demand(1.0, load_nm=feed_factor * float(random.uniform(2.0, 2.2)))
    yield from _hold(RELEASED, FIRST_REST_S)
    seen = yield from _hold(PULLED, 0.5)
    still_since_s = seen.time_s
    while seen.time_s - still_since_s < _PATIENCE_S:
        seen = yield steady
        if seen.speed_rad_per_s > 0.0:
            still_since_s = seen.time_s
    while True:
        yield RELEASED


def _sag_test() -> Generator[Demand, Seen, None]:
    yield from _hold(RELEASED, FIRST_REST_S)
    while True:
        for load_nm in (0.4, 1.2, 2.0, 2.8):
            yield from _hold(PULLED, 0.5)
            yield from _hold(Demand(1.0, load_nm), 4.0)
            yield from _hold(RELEASED, 8.0)
