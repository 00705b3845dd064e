"""By how much the voltage at a step of the current differs from what the response of the run makes of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.studies.drifting_response import parts_under

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from capture.studies.drifting_response import DriftingResponse
    from capture.studies.end_of_range import WithinRange
    from capture.studies.steps import Step
    from capture.studies.thinning import Stretch

    Floats = npt.NDArray[np.float64]

#: A step's edge begins so long before the middle of it.
EDGE_S: Final = 0.05
#: Within a run the parts of a response differ from their mean by about this share, before anything is seen.
_DIFFERS_SHARE: Final = 0.2
#: A step tells a resistance where its shares come out better than this.
_MOST_U_SHARE: Final = 0.1
#: A mean over charges is one over so many.
_CHARGES: Final = 64
_BEFORE_S: Final = 0.5
_LEVEL_S: Final = 0.15
_LEAST_BEFORE: Final = 1
_LEAST_BEHIND: Final = 2


@dataclass(frozen=True, slots=True)
class AtStep:
    """A step's resistance in ohm, what the run's response says of it, and both uncertainties."""

    ohm: float
    expected_ohm: float
    u_step: float
    u_run: float

    def where_steps_differ(self, share: float) -> tuple[float, float]:
        """Return the resistance and its uncertainty where steps differ from their run by such a share."""
        differ_ohm = share * self.expected_ohm
        own = differ_ohm**2 / (differ_ohm**2 + self.u_step**2)
        ohm = self.expected_ohm + own * (self.ohm - self.expected_ohm)
        return ohm, float(np.sqrt(own * self.u_step**2 + self.u_run**2))


class AtSteps:
    """By how much the response at a step differs from that of the whole run."""

    def __init__(self, stretches: Sequence[Stretch], drifting: DriftingResponse, ranged: WithinRange) -> None:
        self._ranged = ranged
        search = drifting.search
        self._stretches = stretches
        self._first_block = np.cumsum([0, *(len(stretch.blocks) for stretch in stretches)])
        self._times_s = search.times_s
        self._drawn_c = search.drawn_c
        self._weights = 1.0 / search.noise_variance_v2
        self._drifting = drifting
        self._response = drifting.response

    def drawn_c(self, steps: Sequence[Step]) -> Floats:
        """Return the charges drawn before steps."""
        return np.interp([step.t_s for step in steps], self._times_s, self._drawn_c)

    def between_c(self, steps: Sequence[Step]) -> Floats:
        """Return charges drawn, evenly from the least before one of the steps to the most; none of none."""
        drawn_c = self.drawn_c(steps)
        if len(drawn_c) == 0:
            return drawn_c
        return np.linspace(drawn_c.min(), drawn_c.max(), _CHARGES)

    def left_out(self, step: Step, after_s: float) -> bool:
        """Return whether a reading stands at an end of its range from a step's level to the time after it."""
        return self._ranged.touches(step.t_s - _LEVEL_S, step.t_s + after_s)

    def resistance(self, step: Step, after_s: float) -> AtStep | None:
        """Return the resistance `after_s` after a step; None where the run breaks off or does not tell it."""
        if self.left_out(step, after_s):
            return None
        for number, stretch in enumerate(self._stretches):
            if (
                stretch.start_s <= step.t_s - EDGE_S
                and step.t_s + after_s <= stretch.start_s + stretch.span_s
            ):
                return self._within(number, step, after_s)
        return None

    def _within(self, number: int, step: Step, after_s: float) -> AtStep | None:
        rows = self._blocks(number, step, after_s)
        before = int(np.count_nonzero(self._times_s[rows] < step.t_s))
        if before < _LEAST_BEFORE or len(rows) - before < _LEAST_BEHIND:
            return None
        shares, covariance = self._shares(rows, self._parts(number, step, rows))
        drawn_c = self.drawn_c([step])
        _, u_run = self._drifting.at(after_s, drawn_c)
        at_step = self._drifting.shares_at(drawn_c)[0] * self._response.parts_at(after_s)
        ohm = float(at_step.sum())
        each = np.array([0.0, at_step[0], ohm - at_step[0]])
        u_shares = float(np.sqrt(each @ covariance @ each))
        if ohm <= 0 or u_shares > _MOST_U_SHARE * ohm:
            return None
        return AtStep(ohm + float(each @ shares), ohm, u_shares, u_run)

    def _shares(self, rows: npt.NDArray[np.int64], parts: Floats) -> tuple[Floats, Floats]:
        """Return by which shares the parts differ from the run's (behind the level before), and covariances.

        What the blocks scatter beyond the noise of their readings widens the covariance: the model is not
        exact there.
        """
        columns = np.column_stack([np.ones(len(rows)), -parts])
        weights, left_v = self._weights[rows], self._response.residual_v[rows]
        prior = np.diag([0.0, _DIFFERS_SHARE**-2, _DIFFERS_SHARE**-2])
        told = columns.T @ (columns * weights[:, None])
        moments = columns.T @ (left_v * weights)
        shares = np.linalg.solve(told + prior, moments)
        scatter = float(weights @ (left_v - columns @ shares) ** 2) / max(1, len(rows) - columns.shape[1])
        widened = max(1.0, scatter)
        covariance = np.linalg.inv(told / widened + prior)
        return covariance @ moments / widened, covariance

    def _blocks(self, number: int, step: Step, after_s: float) -> npt.NDArray[np.int64]:
        """Return the blocks from shortly before a step until the time after it."""
        first, end = self._first_block[number], self._first_block[number + 1]
        times_s = self._times_s[first:end]
        at, stop = np.searchsorted(times_s, [step.t_s, step.t_s + 1.05 * after_s])
        # of slow samples the last before the step, however long ago
        start = min(int(np.searchsorted(times_s, step.t_s - _BEFORE_S)), max(int(at) - 1, 0))
        return np.arange(first + start, first + stop)

    def _parts(self, number: int, step: Step, rows: npt.NDArray[np.int64]) -> Floats:
        """Return what the step's own current and all after it make at the blocks (b, 2): ohmic, slow; in V.

        The current from the step's edge on, less the level before it, through the response of the run.
        """
        stretch = self._stretches[number]
        blocks = rows - self._first_block[number]
        ends = np.append(stretch.blocks, len(stretch.voltage_v))
        readings = slice(int(ends[blocks[0]]), int(ends[blocks[-1] + 1]))
        at = stretch.at[readings]
        begin = int((step.t_s - EDGE_S - stretch.start_s) / stretch.step_s)
        last = min(int(np.ceil(at[-1])) + 1, len(stretch.current_a))
        added = stretch.current_a[begin:last] - step.from_a
        parts = parts_under(added, stretch.step_s, self._response.ohms, self._response.taus_s)
        drifts = self._drifting.shares_at(stretch.drawn_c[begin:last]).T
        drifted_parts = [part * drift for part, drift in zip(parts, drifts, strict=True)]
        instants = np.arange(begin, last)
        begins = ends[blocks] - readings.start
        sizes = np.diff(np.append(begins, len(at)))
        return np.column_stack(
            [
                np.add.reduceat(np.interp(at, instants, part, left=0.0), begins) / sizes
                for part in (drifted_parts[0], np.sum(drifted_parts[1:], axis=0))
            ]
        )
