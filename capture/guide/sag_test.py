"""The guided sag test as a state machine: rest, load on, hold, load off, recover, and again.

It has no clock of its own: all times are the logger's ticks, and whether a load came or went is read from the
samples. So the test that is judged live and the one that is judged from its recording take the same turns.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum
from typing import TYPE_CHECKING, Final

from capture.guide import readings
from capture.guide.readings import Readings
from capture.guide.steps import Attempt, Ending, GuidePlan, Trouble, Turn, TurnKind

if TYPE_CHECKING:
    from capture.blocks import SampleBlock
    from capture.pack_limits import Alarm
    from capture.run_card import RunCard

#: After so many loads that do not count something is wrong that no further try will mend.
MOST_TRIES_IN_VAIN: Final = 5
#: A load that does not come within the first is asked about, within the second it ends the test: nobody is
#: there, or it cannot be told. Common practice, no source.
ASKED_AFTER_S: Final = 60.0
NO_LOAD_AFTER_S: Final = 300.0
#: A load is judged so long after it has set in; it may differ from the one that was meant by this share.
_JUDGED_AFTER_S: Final = 1.0
_OTHER_SHARE: Final = 0.25
#: A current that is no load and stays for so long is one that cannot be told.
_SMALL_STAYS_S: Final = 1.0
#: Without a load for so long a test that is over may end.
_CLOSING_S: Final = 5.0
_S: Final = 1e-6


class Phase(Enum):
    """Where the test stands."""

    REST = "rest"
    READY = "ready"
    LOADED = "loaded"
    RECOVERING = "recovering"
    UNLOADING = "unloading"  # a load that does not count is still on
    CLOSING = "closing"  # the test is over as soon as the load is off
    ENDED = "ended"


@dataclass(frozen=True, slots=True, eq=False)
class SagTest:
    """The state of a test. `since_us` is when its phase began, by the samples.

    `settled` tells that the voltage stood still once: what moves it later is the test's own doing, and
    recorded. `rest_a` is the current at rest; `sum_a` and `cells` are those of the load's above it, `judged`
    tells that the load was found to be fit.
    """

    readings: Readings = field(default_factory=Readings)
    phase: Phase = Phase.REST
    since_us: int | None = None
    settled: bool = False
    counted: int = 0
    trouble: Trouble | None = None
    told_a: float | None = None
    need_a: float | None = None
    small_since_us: int | None = None
    rest_a: float = 0.0
    load: Attempt | None = None
    sum_a: float = 0.0
    cells: int = 0
    judged: bool = False
    attempts: tuple[Attempt, ...] = ()
    turns: tuple[Turn, ...] = ()
    alarm: Alarm | None = None
    ending: Ending | None = None

    @property
    def in_phase_s(self) -> float:
        """For how long the phase has lasted."""
        return 0.0 if self.since_us is None else (self.readings.now_us - self.since_us) * _S

    @property
    def load_a(self) -> float | None:
        """The mean current of the load so far, above that at rest."""
        return self.sum_a / self.cells if self.cells else None

    @property
    def under_way(self) -> Attempt | None:
        """The load that is on or recovered from and not judged yet, as far as it is known."""
        if self.load is None:
            return None
        ended_us = self.load.ended_us if self.phase is Phase.RECOVERING else _gone_us(self)
        return replace(self.load, ended_us=ended_us, current_a=self.load_a)

    @property
    def first_a(self) -> float | None:
        """The current of the first load that counted."""
        return next((one.current_a for one in self.attempts if one.trouble is None), None)

    def needed_rest_s(self, plan: GuidePlan) -> float:
        """Return how long the rest under way must be."""
        return plan.recover_s if self.settled else plan.rest_s


def update(state: SagTest, cell: SampleBlock, plan: GuidePlan, card: RunCard) -> SagTest:
    """Return the state after one more cell of samples, which needs the columns `readings.NEEDED`."""
    if state.phase is Phase.ENDED:
        return state
    before = state.readings
    state = replace(state, readings=readings.update(before, cell, card))
    if state.since_us is None:
        state = replace(state, since_us=state.readings.since_us)
    if state.readings.alarms and state.phase is not Phase.CLOSING:
        return _stopped(state, cell, state.readings.alarms[0])
    match state.phase:
        case Phase.REST:
            return _resting(state, cell, plan, before)
        case Phase.READY:
            return _waiting(state, cell, before)
        case Phase.LOADED:
            return _holding(state, cell, plan, before)
        case Phase.RECOVERING:
            return _recovering(state, cell, plan)
        case Phase.UNLOADING:
            state = _with_true_end(state)
            return state if state.readings.load_is_on else _begun(state, Phase.REST, _gone_us(state))
        case _:
            return _closing(_with_true_end(state), cell)


def _resting(state: SagTest, cell: SampleBlock, plan: GuidePlan, before: Readings) -> SagTest:
    now = state.readings
    if now.load_is_on:
        return _in_vain(_with_load(state, before), cell, Trouble.EARLY_LOAD)
    if now.lost_sight:
        state = replace(state, since_us=now.since_us)
    drift = now.drift()
    settled = state.settled or (drift is not None and drift.has_settled)
    if state.in_phase_s < state.needed_rest_s(plan) or not settled:
        return state
    return _ready(replace(state, settled=True), cell)


def _ready(state: SagTest, cell: SampleBlock) -> SagTest:
    now = state.readings
    state = replace(_turned(state, cell, TurnKind.RESTED), rest_a=now.rest_a or 0.0)
    return _begun(state, Phase.READY, now.now_us)


def _waiting(state: SagTest, cell: SampleBlock, before: Readings) -> SagTest:
    now = state.readings
    if now.lost_sight:
        if now.load_is_on:
            return _in_vain(_with_load(state, before), cell, Trouble.GAP)
        return _begun(replace(state, trouble=Trouble.GAP), Phase.REST, now.since_us)
    if now.load_is_on:
        state = _turned(_with_load(state, before), cell, TurnKind.LOAD_ON, now.spell.began_us)
        return _begun(replace(state, trouble=None), Phase.LOADED, now.spell.began_us or now.now_us)
    if state.in_phase_s >= NO_LOAD_AFTER_S:
        return _ended(replace(state, trouble=Trouble.NO_LOAD), cell, Ending.NO_LOAD)
    return _with_small_current(state)


def _with_small_current(state: SagTest) -> SagTest:
    """Take note of a current that flows and cannot be told from none."""
    now = state.readings
    flows_a = now.flows_beside(state.rest_a)
    if flows_a is None:
        return replace(state, small_since_us=None)
    since_us = now.since_us if state.small_since_us is None else state.small_since_us
    state = replace(state, small_since_us=since_us)
    if (now.now_us - since_us) * _S < _SMALL_STAYS_S:
        return state
    return replace(state, trouble=Trouble.SMALL_LOAD, told_a=flows_a, need_a=now.least_load_a)


def _holding(state: SagTest, cell: SampleBlock, plan: GuidePlan, before: Readings) -> SagTest:
    now = state.readings
    if now.lost_sight:
        return _in_vain(state, cell, Trouble.GAP)
    if not now.load_is_on:
        gone_us = _gone_us(state)
        if state.load is None or (gone_us - state.load.began_us) * _S < plan.least_hold_s:
            if before.at_cutoff is not None:
                return _stopped(state, cell, before.at_cutoff)
            return _in_vain(state, cell, Trouble.EARLY_RELEASE)
        state = replace(state, load=replace(state.load, ended_us=gone_us))
        return _begun(_turned(state, cell, TurnKind.LOAD_OFF, gone_us), Phase.RECOVERING, gone_us)
    whole = state.load is not None and now.since_us >= state.load.began_us and now.spell.load.drawing
    if whole and now.current_a is not None:
        state = replace(state, sum_a=state.sum_a + now.current_a - state.rest_a, cells=state.cells + 1)
    if state.judged or not whole or state.in_phase_s < _JUDGED_AFTER_S:
        return state
    trouble = _unfit(state, plan)
    return replace(state, judged=True) if trouble is None else _in_vain(state, cell, trouble)


def _unfit(state: SagTest, plan: GuidePlan) -> Trouble | None:
    """Return what is wrong with the load that is on, None where it is fit to tell a resistance."""
    now, load, current_a = state.readings, state.load, state.load_a
    if load is None or load.rest_v is None or now.voltage_v is None or current_a is None:
        return None
    if load.rest_v - now.voltage_v < now.least_sag_v:
        return Trouble.SMALL_LOAD
    meant_a = plan.load_a or state.first_a
    if meant_a is not None and abs(current_a - meant_a) > _OTHER_SHARE * meant_a:
        return Trouble.OTHER_LOAD
    return None


def _recovering(state: SagTest, cell: SampleBlock, plan: GuidePlan) -> SagTest:
    now = state.readings
    if now.lost_sight:
        return _in_vain(state, cell, Trouble.GAP)
    if now.load_is_on and (now.spell.began_us or 0) > (state.since_us or 0):
        return _in_vain(state, cell, Trouble.EARLY_LOAD)
    if state.in_phase_s < plan.recover_s:
        return state
    state = replace(_turned(state, cell, TurnKind.COUNTED), counted=state.counted + 1)
    state = _attempted(state, None)
    if state.counted == plan.repeats:
        return _ended(state, cell, Ending.COMPLETE)
    return _ready(state, cell)


def _in_vain(state: SagTest, cell: SampleBlock, trouble: Trouble) -> SagTest:
    """Return the state after a load that does not count; it is done again, unless too many were in vain."""
    now = state.readings
    if trouble in {Trouble.SMALL_LOAD, Trouble.OTHER_LOAD}:
        state = replace(state, told_a=state.load_a, need_a=_needed_a(state))
    state = _attempted(_turned(state, cell, TurnKind.NOT_COUNTED, trouble=trouble), trouble)
    if sum(attempt.trouble is not None for attempt in state.attempts) > MOST_TRIES_IN_VAIN:
        return replace(
            state, phase=Phase.CLOSING, since_us=now.now_us, ending=Ending.TOO_MANY_TRIES, trouble=trouble
        )
    state = replace(state, trouble=trouble)
    if now.load_is_on:
        return _begun(state, Phase.UNLOADING, now.now_us)
    return _begun(state, Phase.REST, now.since_us if now.lost_sight else _gone_us(state))


def _needed_a(state: SagTest) -> float | None:
    """Return which current would sag by enough, None where that is not known."""
    now, load, current_a = state.readings, state.load, state.load_a
    if load is None or load.rest_v is None or now.voltage_v is None or not current_a:
        return None
    sag_v = load.rest_v - now.voltage_v
    return current_a * now.least_sag_v / sag_v if 0 < sag_v < now.least_sag_v else None


def _stopped(state: SagTest, cell: SampleBlock, alarm: Alarm) -> SagTest:
    """Return the state after a limit was passed: the load is to go, and the test ends."""
    now = state.readings
    state = _turned(replace(state, alarm=alarm), cell, TurnKind.LIMIT, trouble=Trouble.LIMIT)
    if state.phase in {Phase.LOADED, Phase.RECOVERING}:
        state = _attempted(state, Trouble.LIMIT)
    return replace(
        state, phase=Phase.CLOSING, since_us=now.now_us, ending=Ending.LIMIT, trouble=Trouble.LIMIT
    )


def _closing(state: SagTest, cell: SampleBlock) -> SagTest:
    if state.readings.load_is_on:
        return replace(state, since_us=state.readings.now_us)
    if state.in_phase_s < _CLOSING_S:
        return state
    return _ended(state, cell, state.ending or Ending.COMPLETE)


def _ended(state: SagTest, cell: SampleBlock, ending: Ending) -> SagTest:
    state = _turned(state, cell, TurnKind.ENDED)
    return replace(state, phase=Phase.ENDED, since_us=state.readings.now_us, ending=ending)


def _begun(state: SagTest, phase: Phase, since_us: int) -> SagTest:
    return replace(state, phase=phase, since_us=since_us, small_since_us=None)


def _with_load(state: SagTest, before: Readings) -> SagTest:
    """Return the state with a new load under way; `before` is what was read before it came."""
    spell, drift = state.readings.spell, before.drift()
    began_us = spell.began_us or state.readings.now_us
    since_us = began_us if before.rest_since_us is None else before.rest_since_us
    rested_s = max(0.0, (began_us - since_us) * _S)
    drift_v_per_s = None if drift is None else drift.v_per_s
    load = Attempt(state.counted + 1, began_us, began_us, None, before.rest_v, rested_s, drift_v_per_s)
    return replace(state, load=load, sum_a=0.0, cells=0, judged=False, told_a=None, need_a=None)


def _attempted(state: SagTest, trouble: Trouble | None) -> SagTest:
    """Return the state with the load under way written down."""
    done = state.under_way
    if done is None:
        return state
    return replace(state, attempts=(*state.attempts, replace(done, trouble=trouble)), load=None)


def _with_true_end(state: SagTest) -> SagTest:
    """Return the state whose last attempt lasts as long as its load, though it had been judged before."""
    if not state.attempts or state.attempts[-1].began_us != state.readings.spell.began_us:
        return state
    *others, last = state.attempts
    return replace(state, attempts=(*others, replace(last, ended_us=_gone_us(state))))


def _gone_us(state: SagTest) -> int:
    """Return when the load was last there."""
    latest_us = state.readings.spell.latest_us
    return state.readings.now_us if latest_us is None else latest_us


def _turned(
    state: SagTest,
    cell: SampleBlock,
    kind: TurnKind,
    tick_us: int | None = None,
    *,
    trouble: Trouble | None = None,
) -> SagTest:
    """Return the state with a turn at a tick of the cell or shortly before it; at its end where None."""
    ticks = cell.ticks_us
    at_us = int(ticks[-1]) if tick_us is None else tick_us
    step_us = (int(ticks[-1]) - int(ticks[0])) / max(len(ticks) - 1, 1) or 1.0
    index = max(0, cell.end_index - 1 - round((int(ticks[-1]) - at_us) / step_us))
    repeat = state.counted + 1 if kind is not TurnKind.ENDED else max(state.counted, 1)
    turn = Turn(kind, cell.segment, index, at_us, repeat, trouble)
    return replace(state, turns=(*state.turns, turn))
