"""The work: a pole saw cuts limb after limb, each a little different, given as the current it asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

IDLE_A: Final = 0.03  # the tool's electronics
FREE_RUN_A: Final = 7.0
INRUSH_A: Final = 48.0
FIRST_REST_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class _Cycle:
    """One rest and the cut after it as knots of time, current and roughness (the saw's biting)."""

    times_s: npt.NDArray[np.float64]
    current_a: npt.NDArray[np.float64]
    roughness_a: npt.NDArray[np.float64]


class CuttingLoad:
    """The current over time; the same seed asks for the same currents, however time is cut up."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._cycles = [self._next_cycle(0.0, FIRST_REST_S)]

    def current(self, times_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return the current in A at rising times, which must not go back behind earlier calls."""
        while self._cycles[-1].times_s[-1] <= times_s[-1]:
            rest_s = float(self._random.uniform(2.0, 3.5))
            self._cycles.append(self._next_cycle(float(self._cycles[-1].times_s[-1]), rest_s))
        while self._cycles[0].times_s[-1] < times_s[0]:
            del self._cycles[0]
        knots = np.concatenate([cycle.times_s for cycle in self._cycles])
        steady = np.interp(times_s, knots, np.concatenate([cycle.current_a for cycle in self._cycles]))
        rough = np.interp(times_s, knots, np.concatenate([cycle.roughness_a for cycle in self._cycles]))
        biting = np.sin(2 * np.pi * 2.3 * times_s) + 0.6 * np.sin(2 * np.pi * 7.1 * times_s + 1.0)
        return np.asarray(steady + rough * biting)

    def _next_cycle(self, start_s: float, rest_s: float) -> _Cycle:
        """Return a rest of `rest_s`, inrush, free run, cut, severance, free run, release."""
        cut_s = float(self._random.uniform(2.4, 4.6))
        level_a = float(self._random.uniform(24.0, 34.0))
        rough_a = 0.05 * level_a
        steps = [  # (duration s, current A at its end, roughness A at its end)
            (rest_s, IDLE_A, 0.0),
            (0.012, INRUSH_A, 0.0),
            (0.060, 0.55 * INRUSH_A, 0.0),
            (0.150, FREE_RUN_A, 0.2),
            (0.500, FREE_RUN_A, 0.2),
            (0.180, level_a, rough_a),
            (cut_s, 0.92 * level_a, rough_a),
            (0.040, FREE_RUN_A, 0.2),
            (0.350, FREE_RUN_A, 0.2),
            (0.008, IDLE_A, 0.0),
        ]
        ends_s = start_s + np.cumsum([duration for duration, _, _ in steps])
        return _Cycle(
            np.concatenate([[start_s], ends_s]),
            np.array([IDLE_A, *(current for _, current, _ in steps)]),
            np.array([0.0, *(roughness for _, _, roughness in steps)]),
        )
