"""What a guided sag test is, in codes: its plan, its steps, what may go wrong, and what it says of itself.

The words of the codes belong to whoever shows them.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from capture.pack_limits import Alarm

#: A resistance 10 s after the load has set in needs so long a hold (`studies.pulse_resistance`).
REACHES_10_S: Final = 10.5
#: Of a shorter hold so much must be kept.
_LEAST_SHARE: Final = 0.9


class Step(StrEnum):
    """What the person is to do now."""

    REST = "rest"  # nothing: the pack rests
    SETTLE = "settle"  # nothing: it has rested long enough, and its voltage still drifts
    SWITCH_ON = "switch_on"
    HOLD = "hold"  # keep the load on
    SWITCH_OFF = "switch_off"
    RECOVER = "recover"  # nothing: the pack recovers
    UNLOAD = "unload"  # take the load off: this repeat does not count
    STOP = "stop"  # take the load off: a limit was passed
    ENDED = "ended"


class Trouble(StrEnum):
    """Why a repeat did not count, or does not go on."""

    EARLY_RELEASE = "early_release"  # the load went before it had been held long enough
    EARLY_LOAD = "early_load"  # it came before the rest was over
    SMALL_LOAD = "small_load"  # too little to tell from the noise
    OTHER_LOAD = "other_load"  # not the current that was meant
    GAP = "gap"  # samples were lost at a moment that counts
    NO_LOAD = "no_load"  # it does not come
    LIMIT = "limit"  # a limit of the pack was passed


class Ending(StrEnum):
    """Why the test is over."""

    COMPLETE = "complete"
    LIMIT = "limit"
    NO_LOAD = "no_load"
    TOO_MANY_TRIES = "too_many_tries"


class TurnKind(StrEnum):
    """What happened at a turn of the test."""

    RESTED = "rested"
    LOAD_ON = "load_on"
    LOAD_OFF = "load_off"
    COUNTED = "counted"
    NOT_COUNTED = "not_counted"
    LIMIT = "limit"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class GuidePlan:
    """What is to be done: `repeats` times a rest, a load held for `hold_s`, and a recovery of `recover_s`.

    Before the first load the pack rests for `rest_s` at least. `load_a` is the current that is meant, where
    that was told.
    """

    repeats: int = 3
    load_a: float | None = None
    hold_s: float = 12.0
    rest_s: float = 10.0
    recover_s: float = 30.0

    @property
    def least_hold_s(self) -> float:
        """How long a load must have been held to count: whoever lets go a little early has lost nothing."""
        return REACHES_10_S if self.hold_s >= REACHES_10_S else _LEAST_SHARE * self.hold_s


@dataclass(frozen=True, slots=True)
class Turn:
    """A turn of the test: what, at which sample, in which repeat (from 1), and why where it did not count."""

    kind: TurnKind
    segment: int
    index: int
    tick_us: int
    repeat: int
    trouble: Trouble | None = None


@dataclass(frozen=True, slots=True)
class Attempt:
    """One load: for which repeat, from when to when, its mean current, and whether it counts.

    `rest_v` is the voltage over the last second before it, `rested_s` for how long the pack had rested,
    `drift_v_per_s` what was still moving then. `trouble` says why it does not count.
    """

    repeat: int
    began_us: int
    ended_us: int
    current_a: float | None
    rest_v: float | None
    rested_s: float
    drift_v_per_s: float | None
    trouble: Trouble | None = None

    def as_json(self, first_us: int) -> dict[str, Any]:
        """Return it as the command line prints it; times count from the tick `first_us`."""
        return {
            "repeat": self.repeat,
            "trouble": self.trouble,
            "load_on_s": (self.began_us - first_us) * 1e-6,
            "held_s": (self.ended_us - self.began_us) * 1e-6,
            "current_a": self.current_a,
            "rest_voltage_v": self.rest_v,
            "rested_s": self.rested_s,
            "drift_v_per_s": self.drift_v_per_s,
        }


@dataclass(frozen=True, slots=True)
class GuideReport:
    """How a test stands.

    `seconds_left` counts down a rest, a hold or a recovery; `repeat` is the one under way, from 1, `counted`
    how many were done. `trouble` is what went wrong last, or is wrong now, with the current it is about
    (`told_a`) and the least that would do (`need_a`). `on_s` is for how long the load has been on, `waited_s`
    for how long it has been waited for; `rested_s` and `drift_v_per_s` are of the rest so far. `alarm` is the
    limit that was passed. `attempts` were judged, `under_way` is a load that has not been yet.
    """

    plan: GuidePlan
    step: Step
    seconds_left: float | None
    repeat: int
    counted: int
    trouble: Trouble | None
    told_a: float | None
    need_a: float | None
    on_s: float
    waited_s: float
    rested_s: float
    drift_v_per_s: float | None
    alarm: Alarm | None
    ending: Ending | None
    attempts: tuple[Attempt, ...]
    under_way: Attempt | None = None

    def as_json(self, first_us: int) -> dict[str, Any]:
        """Return it as the command line prints it."""
        return {
            "kind": "sag test",
            "plan": asdict(self.plan),
            "ending": self.ending,
            "repeats_counted": self.counted,
            "attempts": [attempt.as_json(first_us) for attempt in self.attempts],
            "under_way": None if self.under_way is None else self.under_way.as_json(first_us),
        }
