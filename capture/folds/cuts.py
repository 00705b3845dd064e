"""Counts cuts: stretches of work between idle stretches, found from the current with hysteresis and a hold.

A stretch begins when the current reaches START_CURRENT_A and ends when it has stayed below the idle
threshold for HOLD_US; shorter pauses belong to it. Stretches shorter than SHORTEST_CUT_US are not counted.
The thresholds are common practice, no source. Causal: what comes later never changes what was counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.rest_voltage import IDLE_CURRENT_A

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock

START_CURRENT_A: Final = 3.0
HOLD_US: Final = 300_000
SHORTEST_CUT_US: Final = 200_000


@dataclass(frozen=True, slots=True)
class Cuts:
    """Cuts finished so far, and the stretch of work that goes on."""

    finished: int = 0
    drawing: bool = False
    start_us: int | None = None
    quiet_since_us: int | None = None
    now_us: int = 0
    segment: int = 0

    @property
    def count(self) -> int:
        """Cuts so far, the running one included once it is long enough to be one."""
        return self.finished + (self.start_us is not None and self._long_enough(self.now_us))

    def _long_enough(self, end_us: int) -> bool:
        worked_until = end_us if self.quiet_since_us is None else self.quiet_since_us
        return self.start_us is not None and worked_until - self.start_us >= SHORTEST_CUT_US

    def closed_by(self, tick_us: int) -> Cuts:
        """Return the state with the stretch ended if it has been quiet long enough by `tick_us`."""
        if self.quiet_since_us is None or tick_us - self.quiet_since_us < HOLD_US:
            return self
        finished = self.finished + self._long_enough(tick_us)
        return replace(self, finished=finished, start_us=None, quiet_since_us=None)


def update(state: Cuts, block: SampleBlock) -> Cuts:
    """Return the state after `block`, which needs the column current_a."""
    current = block.columns["current_a"]
    known = ~np.isnan(current)
    ticks, current = block.ticks_us[known], current[known]
    if len(ticks) == 0:
        return state
    if block.segment != state.segment:  # the logger's clock began anew: what was going on has ended
        state = Cuts(finished=state.count, segment=block.segment)
    drawing = _hysteresis(current, initially=state.drawing)
    before = np.concatenate([[state.drawing], drawing[:-1]])
    for at in np.flatnonzero(drawing != before):
        state = _edge(state, int(ticks[at]), rises=bool(drawing[at]))
    now = int(ticks[-1])
    return replace(state.closed_by(now), drawing=bool(drawing[-1]), now_us=now)


def _edge(state: Cuts, tick_us: int, *, rises: bool) -> Cuts:
    state = state.closed_by(tick_us)
    if not rises:
        return replace(state, quiet_since_us=tick_us)
    start = tick_us if state.start_us is None else state.start_us
    return replace(state, start_us=start, quiet_since_us=None)


def _hysteresis(current: npt.NDArray[np.floating], *, initially: bool) -> npt.NDArray[np.bool_]:
    """Return for each sample whether the tool draws: set at the upper threshold, kept down to the lower."""
    decides = (current >= START_CURRENT_A) | (current < IDLE_CURRENT_A)
    latest = np.maximum.accumulate(np.where(decides, np.arange(len(current)), -1))
    return np.where(latest >= 0, current[latest] >= START_CURRENT_A, initially)
