"""Pulse resistance at 0.1, 1 and 10 s: of the whole run, and of each step of the current by itself.

A pulse resistance is by how much the voltage would have fallen, over the current, so long after a step to a
current that holds still. No tool's current does. So the run's step response is found first
(`studies.step_response`), and at each step the voltage says by how much the response there differs: its
ohmic part and its slow part each by a share of their own. The fall of the open-circuit voltage with the
charge drawn is no part of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.quantities import COULOMB_PER_AH, Figure
from capture.studies.circuit import can_tell, fast_enough, told_skew
from capture.studies.drifting_response import drifting_response, parts_under
from capture.studies.end_of_range import within_range
from capture.studies.known_pack import known_pack
from capture.studies.steps import find_steps
from capture.studies.thinning import stretches_of
from capture.uncertainty.channels import HOBBY_DIVIDER, HOBBY_SHUNT

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from capture.open_circuit import OpenCircuitCurve
    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns
    from capture.studies.drifting_response import DriftingResponse
    from capture.studies.end_of_range import WithinRange
    from capture.studies.steps import Step
    from capture.studies.thinning import Stretch
    from capture.uncertainty.channels import ChannelUncertainty

    Floats = npt.NDArray[np.float64]

#: How long after a step, in s.
PULSE_TIMES_S: Final = (0.1, 1.0, 10.0)
#: Within a run the parts of a response differ from their mean by about this share, before anything is seen.
_DIFFERS_SHARE: Final = 0.2
#: A step tells a resistance where its shares come out better than this.
_MOST_U_SHARE: Final = 0.1
#: A mean over charges is one over so many.
_CHARGES: Final = 64
_AT_AN_END: Final = "a reading stands at the end of its channel's range"
#: A resistance that is known no better than this is not told.
_MOST_U_RELATIVE: Final = 0.5
#: A figure of a run in which the resistance changed stands for a moment that is open by this share of the
#: standard deviation over the charge. Common practice, no source.
_OPEN_MOMENT: Final = 0.3
#: Steps differ from the response of their run by this share at least, a standard deviation. Common practice,
#: no source.
_LEAST_BEYOND: Final = 0.003
_BEFORE_S: Final = 0.5
_EDGE_S: Final = 0.05
_LEVEL_S: Final = 0.15
_LEAST_BEFORE: Final = 1
_LEAST_BEHIND: Final = 2


@dataclass(frozen=True, slots=True)
class SteppedResistance:
    """One step and its resistance in ohm at each of `PULSE_TIMES_S`, None where it does not tell it.

    `drawn_ah` is the charge drawn before it since the run began; `left_out` says for each time in words why
    the step was left out, None where it was not.
    """

    step: Step
    r: tuple[Figure | None, ...]
    drawn_ah: float
    temperature_degc: float | None
    left_out: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class PulseResistance:
    """What a run tells of its pack's resistance, in ohm.

    `pulse` has one figure for each of `PULSE_TIMES_S`, None where the run does not reach that time; `ohmic`
    is what answers at once, None from samples that are too slow or uneven. `as_circuit` tells that a circuit
    of up to two RC pairs explains the run, and no ladder of them is needed; `taus_s` are the time constants.
    The figures of `pulse` are means over the charge, from `mean_over_ah`, the least that was drawn before a
    step, to the most. `notes` say in words what was left out or corrected.
    """

    steps: tuple[SteppedResistance, ...]
    pulse: tuple[Figure | None, ...]
    ohmic: Figure | None
    as_circuit: bool
    taus_s: tuple[float, ...]
    mean_over_ah: tuple[float, float] | None
    notes: tuple[str, ...]


def pulse_resistance(
    run: RunColumns,
    card: RunCard,
    uncertainties: Mapping[str, ChannelUncertainty],
    *,
    curve: OpenCircuitCurve | None = None,
    taus_s: tuple[float, ...] | None = None,
) -> PulseResistance | None:
    """Return the pulse resistances of a run; None where it shows none.

    `taus_s` are the pack's time constants where one of its groups is asked for: they are its own.

    Standard uncertainties combine the fit's own, how the steps scatter beyond theirs, and the gains of both
    channels, which are the same error in every sample (R = V/I has both; JCGM 100:2008, 5.1).
    """
    if not run.has("current_a", "voltage_v"):
        return None
    ranged = within_range(run)
    run = ranged.run
    found = find_steps(run)
    edges_s = [step.t_s - _EDGE_S for step in found]
    skew = told_skew(run)
    stretches = [stretch for stretch in stretches_of(run, edges_s, skew.later_s) if can_tell(stretch)]
    if not stretches:
        return None
    volts = uncertainties.get("voltage_v", HOBBY_DIVIDER)
    amperes = uncertainties.get("current_a", HOBBY_SHUNT)
    pack = known_pack(card, volts, curve)
    drifting = drifting_response(stretches, pack, volts.resolution, taus_s, skew.u)
    if drifting is None:
        return None
    search, response = drifting.search, drifting.response
    gain = float(np.hypot(volts.gain, amperes.gain))
    at_steps = _AtSteps(stretches, drifting, ranged)
    temperature = _temperature(run)
    by_time = [
        _with_scatter([at_steps.resistance(step, after_s) for step in found], gain)
        for after_s in PULSE_TIMES_S
    ]
    steps = tuple(
        SteppedResistance(
            step,
            tuple(figures[number] for figures, _ in by_time),
            float(np.interp(step.t_s, search.times_s, search.drawn_c)) / COULOMB_PER_AH,
            None if temperature is None else float(np.interp(step.t_s, *temperature)),
            tuple(_AT_AN_END if at_steps.left_out(step, after_s) else None for after_s in PULSE_TIMES_S),
        )
        for number, step in enumerate(found)
    )
    pulse = tuple(
        _of_run(drifting, after_s, at_steps.between_c(_told_of(found, figures)), scatter, gain)
        for after_s, (figures, scatter) in zip(PULSE_TIMES_S, by_time, strict=True)
    )
    return PulseResistance(
        steps,
        pulse,
        _told(*drifting.at(0.0, at_steps.between_c(found)), gain) if fast_enough(run) else None,
        response.circuit is not None,
        response.circuit_taus_s,
        _span_ah([step.drawn_ah for step in steps if any(step.r)]),
        tuple(note for note in (ranged.in_words(), skew.in_words()) if note is not None),
    )


@dataclass(frozen=True, slots=True)
class _AtStep:
    """A step's resistance in ohm, what the run's response says of it, and both uncertainties."""

    ohm: float
    expected_ohm: float
    u_step: float
    u_run: float

    def figure(self, differ_share: float, gain: float) -> Figure | None:
        """Return the resistance where steps differ from the run's response by such a share."""
        differ_ohm = differ_share * self.expected_ohm
        own = differ_ohm**2 / (differ_ohm**2 + self.u_step**2)
        ohm = self.expected_ohm + own * (self.ohm - self.expected_ohm)
        return _told(ohm, float(np.sqrt(own * self.u_step**2 + self.u_run**2)), gain)


def _with_scatter(told: Sequence[_AtStep | None], gain: float) -> tuple[list[Figure | None], float | None]:
    """Return the figures of the steps, and the relative uncertainty of their mean; None without any.

    How the steps scatter around the run's response beyond their own uncertainties is by how much they may
    differ from it: each lies between what it tells itself and the run, by the weights of both.
    """
    known = [at for at in told if at is not None]
    if not known:
        return [None] * len(told), None
    apart = np.array([at.ohm / at.expected_ohm - 1 for at in known])
    own = float(np.mean([(at.u_step / at.expected_ohm) ** 2 for at in known]))
    square = float(np.mean(apart**2))
    beyond = max(square - own, _LEAST_BEYOND**2) ** 0.5
    figures = [None if at is None else at.figure(beyond, gain) for at in told]
    return figures, (square / len(known)) ** 0.5


def _of_run(
    drifting: DriftingResponse, after_s: float, drawn_c: Floats, scatter: float | None, gain: float
) -> Figure | None:
    """Return the resistance of the whole run, a mean over charges drawn; None where no step reaches so far.

    A resistance that changed has no one value: which moment of the run the figure stands for is open.
    """
    if scatter is None:
        return None
    ohm, u_fit = drifting.at(after_s, drawn_c)
    changed = drifting.shares_at(drawn_c) @ drifting.response.parts_at(after_s)
    moment = _OPEN_MOMENT * float(changed.std())
    return _told(ohm, float(np.sqrt(u_fit**2 + (ohm * scatter) ** 2 + moment**2)), gain)


def _told_of(steps: Sequence[Step], figures: Sequence[Figure | None]) -> list[Step]:
    return [step for step, figure in zip(steps, figures, strict=True) if figure is not None]


def _span_ah(drawn_ah: Sequence[float]) -> tuple[float, float] | None:
    return (min(drawn_ah), max(drawn_ah)) if drawn_ah else None


def _told(ohm: float, u_fit: float, gain: float) -> Figure | None:
    u = float(np.hypot(u_fit, ohm * gain))
    return Figure(ohm, u, "Ohm") if u < _MOST_U_RELATIVE * ohm else None


def _temperature(run: RunColumns) -> tuple[Floats, Floats] | None:
    names = [name for name in run.columns if name.endswith("temperature_degc") and name.startswith("pack")]
    if not names:
        return None
    t_s, degc = run.known(names[0])
    return (t_s, degc) if len(t_s) else None


class _AtSteps:
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

    def resistance(self, step: Step, after_s: float) -> _AtStep | None:
        """Return the resistance `after_s` after a step; None where the run breaks off or does not tell it."""
        if self.left_out(step, after_s):
            return None
        for number, stretch in enumerate(self._stretches):
            if (
                stretch.start_s <= step.t_s - _EDGE_S
                and step.t_s + after_s <= stretch.start_s + stretch.span_s
            ):
                return self._within(number, step, after_s)
        return None

    def _within(self, number: int, step: Step, after_s: float) -> _AtStep | None:
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
        return _AtStep(ohm + float(each @ shares), ohm, u_shares, u_run)

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
        begin = int((step.t_s - _EDGE_S - stretch.start_s) / stretch.step_s)
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
