"""A guided test fed from ordered blocks, live or stored: cuts them to cells of a fifth of a second."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.folds.grid import Grid
from capture.guide import sag_test
from capture.guide.readings import NEEDED
from capture.guide.sag_test import ASKED_AFTER_S, Phase, SagTest
from capture.guide.steps import Ending, GuideReport, Step, Trouble

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.blocks import SampleBlock
    from capture.guide.steps import GuidePlan, Turn
    from capture.run_card import RunCard

#: What is shown as the figures of the moment is the mean over as long.
CELL_NS: Final = 200_000_000
_STEP_OF: Final = {
    Phase.READY: Step.SWITCH_ON,
    Phase.RECOVERING: Step.RECOVER,
    Phase.UNLOADING: Step.UNLOAD,
    Phase.ENDED: Step.ENDED,
}


class Guide:
    """One test by a plan. `card` has the limits of the pack; samples lie `interval_ns` apart.

    The same samples give the same turns and the same report, however they come.
    """

    def __init__(self, plan: GuidePlan, card: RunCard, interval_ns: int) -> None:
        self.plan = plan
        self._card = card
        self._grid = Grid(max(1, round(CELL_NS / interval_ns)))
        self._state = SagTest()

    @property
    def turns(self) -> tuple[Turn, ...]:
        """What has happened so far."""
        return self._state.turns

    def feed(self, blocks: Iterable[SampleBlock]) -> None:
        """Take ordered blocks; those without current and voltage tell nothing."""
        for block in blocks:
            if block.columns.keys() >= set(NEEDED):
                for cell in self._grid.feed(block):
                    self._state = sag_test.update(self._state, cell, self.plan, self._card)

    def report(self) -> GuideReport:
        """Return how the test stands at the end of the newest whole cell."""
        state, plan = self._state, self.plan
        step, left_s = _step(state, plan)
        waited_s = state.in_phase_s if state.phase is Phase.READY else 0.0
        asked = waited_s >= ASKED_AFTER_S and state.trouble is None
        drift = state.readings.drift()
        return GuideReport(
            plan=plan,
            step=step,
            seconds_left=left_s,
            repeat=min(state.counted + 1, plan.repeats),
            counted=state.counted,
            trouble=Trouble.NO_LOAD if asked else state.trouble,
            told_a=state.told_a,
            need_a=state.need_a,
            on_s=_on_s(state),
            waited_s=waited_s,
            rested_s=_rested_s(state),
            drift_v_per_s=None if drift is None else drift.v_per_s,
            alarm=state.alarm,
            ending=state.ending,
            attempts=state.attempts,
            under_way=state.under_way,
        )


def _step(state: SagTest, plan: GuidePlan) -> tuple[Step, float | None]:
    """Return what is to be done now, and for how many more seconds."""
    lasted_s = state.in_phase_s
    match state.phase:
        case Phase.REST:
            left_s = state.needed_rest_s(plan) - lasted_s
            return (Step.REST, left_s) if left_s > 0 else (Step.SETTLE, None)
        case Phase.LOADED:
            left_s = plan.hold_s - lasted_s
            return (Step.HOLD, left_s) if left_s > 0 else (Step.SWITCH_OFF, None)
        case Phase.RECOVERING:
            return Step.RECOVER, max(0.0, plan.recover_s - lasted_s)
        case Phase.CLOSING:
            return (Step.STOP if state.ending is Ending.LIMIT else Step.UNLOAD), None
        case _:
            return _STEP_OF[state.phase], None


def _on_s(state: SagTest) -> float:
    """Return for how long the load of the moment has been on."""
    return state.readings.spell.lasted_us * 1e-6 if state.readings.load_is_on else 0.0


def _rested_s(state: SagTest) -> float:
    """Return for how long the pack is known to have rested by now."""
    since_us = state.readings.rest_since_us
    return 0.0 if since_us is None else (state.readings.now_us - since_us) * 1e-6
