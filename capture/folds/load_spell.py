"""The load of the moment: when it set in, and when it was last there.

A load is told as the cuts are, by `hysteresis`: a pause no longer than HOLD_US belongs to it. A hole in the
samples is no pause: nobody saw the load go.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.folds.hysteresis import HOLD_US, Load, follow

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.blocks import SampleBlock
    from capture.folds.hysteresis import LoadRows

#: A load lasts longer than a spark or a spike on the line.
LEAST_LOAD_US: Final = 50_000


@dataclass(frozen=True, slots=True, eq=False)
class LoadSpell:
    """The newest stretch of load, in ticks: `began_us` to `latest_us`, None where there was none yet.

    `idle_from_us` is the last tick of the load before it; `now_us` is that of the newest sample.
    """

    load: Load = field(default_factory=Load)
    began_us: int | None = None
    latest_us: int | None = None
    idle_from_us: int | None = None
    now_us: int | None = None
    follows: tuple[int, int] | None = None

    @property
    def lasted_us(self) -> int:
        """For how long the newest load has lasted."""
        if self.began_us is None or self.latest_us is None:
            return 0
        return self.latest_us - self.began_us

    @property
    def is_there(self) -> bool:
        """Whether the tool draws now, or did within the hold time."""
        return (
            self.latest_us is not None and self.now_us is not None and self.now_us - self.latest_us <= HOLD_US
        )


def update(state: LoadSpell, block: SampleBlock) -> tuple[LoadSpell, LoadRows]:
    """Return the state after `block`, which needs current_a, and what the follower says of its rows."""
    ticks = block.ticks_us
    if state.load.drawing and (block.segment, block.first_index) != state.follows:
        state = replace(state, latest_us=int(ticks[0]))
    load, rows = follow(state.load, block)
    loaded = ticks[rows.rows[rows.drawing]]
    if len(loaded):
        state = _noted(state, loaded)
    return replace(state, load=load, now_us=int(ticks[-1]), follows=(block.segment, block.end_index)), rows


def _noted(state: LoadSpell, ticks_us: npt.NDArray[np.int64]) -> LoadSpell:
    """Return the state after samples under load: the newest stretch of them is the load of the moment."""
    breaks = np.flatnonzero(np.diff(ticks_us) > HOLD_US)
    began_us, idle_from_us = state.began_us, state.idle_from_us
    if len(breaks):
        began_us, idle_from_us = int(ticks_us[breaks[-1] + 1]), int(ticks_us[breaks[-1]])
    elif state.latest_us is None or int(ticks_us[0]) - state.latest_us > HOLD_US:
        began_us, idle_from_us = int(ticks_us[0]), state.latest_us
    return replace(state, began_us=began_us, latest_us=int(ticks_us[-1]), idle_from_us=idle_from_us)
